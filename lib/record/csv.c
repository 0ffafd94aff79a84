#include "taut/record.h"

/* Unquote the field whose opening quote is at `in`.  Returns the character after the closing quote, or NULL when
 * the quote is never closed. RFC 4180: a quote inside is written twice. */
static char *unquote(char *in)
{
    char *out = in++;
    for (;;) {
        if (*in == '\0')
            return NULL;
        if (*in == '"') {
            if (in[1] != '"')
                break;
            in++;
        }
        *out++ = *in++;
    }
    *out = '\0';
    return in + 1;
}

int taut_csv_split(char *line, char separator, char **fields, int most)
{
    int n = 0;
    for (char *at = line;;) {
        if (n == most)
            return TAUT_E_FULL;
        fields[n++] = at;
        if (*at == '"') {
            at = unquote(at);
            if (!at || (*at != separator && *at != '\0'))
                return TAUT_E_FORMAT;
        } else {
            while (*at != separator && *at != '\0')
                at++;
        }
        if (*at == '\0')
            return n;
        *at++ = '\0';
    }
}
