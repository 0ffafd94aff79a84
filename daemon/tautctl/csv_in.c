/* Failure policy: a line that can not be understood ends the reading with its place and what was expected; no line is
 * passed over in silence but empty ones and comments. Memory is bounded by the longest line allowed. */
#include "tautctl/csv_in.h"

#include <ctype.h>
#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "taut/text.h"
#include "taut/time.h"
#include "taut/units.h"

void tautctl_csv_init(struct tautctl_csv *csv, FILE *file, const char *name, char separator)
{
    memset(csv, 0, offsetof(struct tautctl_csv, text));
    csv->file = file;
    csv->name = name;
    csv->separator = separator;
}

static enum taut_status complain_at(const struct tautctl_csv *csv, int column, enum taut_status status, struct taut_diag *diag,
                                    const char *text)
{
    taut_diag_set(diag, status, "%s", "");
    struct taut_text shown; /* a cell may hold what a terminal obeys */
    taut_text_init(&shown, diag->text, sizeof diag->text);
    taut_text_add_printable(&shown, text);
    snprintf(diag->file, sizeof diag->file, "%s", csv->name);
    diag->line = csv->line;
    diag->column = column;
    return status;
}

enum taut_status tautctl_csv_complain(const struct tautctl_csv *csv, int index, enum taut_status status, struct taut_diag *diag,
                                      const char *format, ...)
{
    char text[sizeof diag->text];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    return complain_at(csv, index < csv->cells ? csv->column[index] : 0, status, diag, text);
}

/* Read one line into csv->text without its end (LF, CRLF or CR). */
static enum taut_status read_line(struct tautctl_csv *csv, struct taut_diag *diag)
{
    int n = 0, c;
    csv->line++;
    while ((c = getc_unlocked(csv->file)) != EOF && c != '\n' && c != '\r') {
        if (c == 0)
            return complain_at(csv, n + 1, TAUT_E_FORMAT, diag, "a zero byte: not plain text; if it is UTF-16, save it as UTF-8");
        if (n == TAUTCTL_CSV_LINE_MAX - 1)
            return complain_at(csv, n + 1, TAUT_E_FORMAT, diag, "line longer than 65535 bytes");
        csv->text[n++] = (char)c;
    }
    csv->text[n] = '\0';
    if (c == '\r') {
        int next = getc_unlocked(csv->file);
        if (next != '\n' && next != EOF)
            ungetc(next, csv->file);
    }
    if (c != EOF)
        return TAUT_OK;
    if (ferror(csv->file))
        return complain_at(csv, 0, TAUT_E_IO, diag, strerror(errno));
    return n > 0 ? TAUT_OK : TAUT_E_NOENT;
}

enum taut_status tautctl_csv_skip(struct tautctl_csv *csv, int lines, struct taut_diag *diag)
{
    for (int i = 0; i < lines; i++) {
        enum taut_status status = read_line(csv, diag);
        if (status != TAUT_OK)
            return status;
    }
    return TAUT_OK;
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

/* The strongest separator in the line outside quotes: a comma may be a decimal comma when another one is there. */
static char separator_of(const char *line)
{
    bool found[3] = {false}, quoted = false;
    static const char candidates[] = {';', '\t', ','};
    for (; *line; line++) {
        if (*line == '"')
            quoted = !quoted;
        for (int i = 0; i < 3 && !quoted; i++)
            found[i] = found[i] || *line == candidates[i];
    }
    for (int i = 0; i < 3; i++)
        if (found[i])
            return candidates[i];
    return ' ';
}

/* Take one cell that begins at `at`, in place.  Returns what follows it (separator or end), NULL when it is malformed. */
static char *cut_cell(char *at, char separator, char **cell)
{
    while (is_blank(*at) && *at != separator)
        at++;
    *cell = at;
    if (*at == '"') {
        char *out = *cell = ++at;
        for (;; at++) {
            if (*at == '\0')
                return NULL;
            if (*at == '"' && *++at != '"')
                break;
            *out++ = *at;
        }
        char *after = at;
        while (is_blank(*after) && *after != separator)
            after++;
        if (*after != '\0' && *after != separator)
            return NULL;
        *out = '\0'; /* at or before the closing quote */
        return after;
    }
    char *end = at;
    while (*end && *end != separator)
        end++;
    return end;
}

static void trim(char *cell, char *end)
{
    while (end > cell && is_blank(end[-1]))
        *--end = '\0';
}

static enum taut_status cut(struct tautctl_csv *csv, struct taut_diag *diag)
{
    char *at = csv->text;
    if (memcmp(at, "\xEF\xBB\xBF", 3) == 0 && csv->line == 1)
        at += 3;
    while (csv->separator == ' ' && is_blank(*at))
        at++;
    csv->cells = 0;
    for (;;) {
        if (csv->cells == TAUTCTL_CSV_CELLS_MAX)
            return complain_at(csv, (int)(at - csv->text) + 1, TAUT_E_FORMAT, diag, "more than 256 columns");
        char *cell, *end = cut_cell(at, csv->separator, &cell);
        csv->column[csv->cells] = (int)(cell - csv->text) + 1;
        if (!end)
            return complain_at(csv, csv->column[csv->cells], TAUT_E_FORMAT, diag,
                               "a quoted cell that is not closed on this line, or text after its closing quote");
        char separator = *end;
        *end = '\0';
        trim(cell, cell + strlen(cell));
        csv->cell[csv->cells++] = cell;
        if (separator == '\0')
            return TAUT_OK;
        at = end + 1;
        if (csv->separator == ' ') {
            while (is_blank(*at))
                at++;
            if (*at == '\0')
                return TAUT_OK;
        }
    }
}

enum taut_status tautctl_csv_next(struct tautctl_csv *csv, struct taut_diag *diag)
{
    for (;;) {
        enum taut_status status = read_line(csv, diag);
        if (status != TAUT_OK)
            return status;
        const char *at = csv->text;
        if (csv->line == 1 && memcmp(at, "\xEF\xBB\xBF", 3) == 0)
            at += 3;
        while (is_blank(*at))
            at++;
        if (*at == '\0' || *at == '#')
            continue;
        if (csv->separator == 0)
            csv->separator = separator_of(at);
        return cut(csv, diag);
    }
}

enum taut_status tautctl_csv_number(const struct tautctl_csv *csv, const char *cell, double *value)
{
    char copy[64];
    size_t n = strlen(cell);
    if (n == 0 || n >= sizeof copy || strspn(cell, "0123456789+-.,eE") != n)
        return TAUT_E_FORMAT;
    memcpy(copy, cell, n + 1);
    char *comma = strchr(copy, ',');
    if (comma && (csv->separator == ',' || strchr(copy, '.') || strchr(comma + 1, ',')))
        return TAUT_E_FORMAT;
    if (comma)
        *comma = '.';
    char *end;
    double v = strtod(copy, &end);
    if (end == copy || *end || !isfinite(v))
        return TAUT_E_FORMAT;
    *value = v;
    return TAUT_OK;
}

/* Up to `most` digits.  Returns how many. */
static int digits(const char **at, int most, int *value)
{
    int n = 0;
    *value = 0;
    while (n < most && isdigit((unsigned char)**at)) {
        *value = *value * 10 + (*(*at)++ - '0');
        n++;
    }
    return n;
}

/* ".120" or ",120" as ns. */
static bool fraction(const char **at, int64_t *ns)
{
    *ns = 0;
    if (**at != '.' && **at != ',')
        return true;
    (*at)++;
    int64_t unit = TAUT_NS_PER_S;
    const char *first = *at;
    for (; isdigit((unsigned char)**at); (*at)++) {
        unit /= 10;
        *ns += unit * (**at - '0');
    }
    return *at > first;
}

struct parts {
    int count; /* numbers separated by colons */
    int value[3];
    int64_t fraction_ns;
};

static bool time_of_day(const char **at, struct parts *t)
{
    *t = (struct parts){0};
    for (;;) {
        if (digits(at, t->count == 0 ? 6 : 2, &t->value[t->count]) == 0)
            return false;
        t->count++;
        if (**at != ':' || t->count == 3)
            break;
        (*at)++;
    }
    return t->count >= 2 && t->value[1] <= 59 && t->value[2] <= 60 && fraction(at, &t->fraction_ns);
}

/* Year first with - or /, or day first with full stops. */
static bool date_of(const char **at, int date[3])
{
    int a, b, c;
    int n = digits(at, 4, &a);
    char mark = **at;
    if (n == 0 || (mark != '-' && mark != '/' && mark != '.'))
        return false;
    (*at)++;
    if (digits(at, 2, &b) == 0 || **at != mark)
        return false;
    (*at)++;
    if (digits(at, 4, &c) == 0)
        return false;
    bool year_first = n == 4 && mark != '.';
    date[0] = year_first ? a : c;
    date[1] = b;
    date[2] = year_first ? c : a;
    return year_first || (mark == '.' && c >= 1000);
}

static enum tautctl_clock read_date(const char *cell, int64_t *ns)
{
    const char *at = cell;
    int date[3];
    if (!date_of(&at, date))
        return isdigit((unsigned char)cell[0]) && strpbrk(cell, "/-") && strchr(cell, ':') ? TAUTCTL_CLOCK_DOUBTFUL
                                                                                           : TAUTCTL_CLOCK_NONE;
    if (*at != 'T' && *at != 't' && *at != ' ')
        return TAUTCTL_CLOCK_NONE;
    at++;
    struct parts t;
    if (!time_of_day(&at, &t))
        return TAUTCTL_CLOCK_NONE;
    while (*at == ' ')
        at++;
    if (strncasecmp(at, "am", 2) == 0 || strncasecmp(at, "pm", 2) == 0)
        return TAUTCTL_CLOCK_DOUBTFUL;
    char text[80];
    snprintf(text, sizeof text, "%04d-%02d-%02dT%02d:%02d:%02d.%09dZ", date[0], date[1], date[2], t.value[0], t.value[1],
             t.value[2], (int)t.fraction_ns);
    if (*at && strlen(at) <= 6) /* an offset in place of the Z */
        snprintf(strchr(text, 'Z'), 8, "%s", at);
    else if (*at)
        return TAUTCTL_CLOCK_NONE;
    return taut_time_parse(text, ns) == TAUT_OK ? TAUTCTL_CLOCK_DATE : TAUTCTL_CLOCK_NONE;
}

enum tautctl_clock tautctl_csv_clock(const char *cell, int64_t *ns)
{
    const char *at = cell;
    struct parts t;
    if (!time_of_day(&at, &t))
        return read_date(cell, ns);
    if (*at)
        return strncasecmp(at + (*at == ' '), "am", 2) == 0 || strncasecmp(at + (*at == ' '), "pm", 2) == 0
                   ? TAUTCTL_CLOCK_DOUBTFUL
                   : TAUTCTL_CLOCK_NONE;
    int64_t s = t.count == 3 ? (int64_t)t.value[0] * 3600 + t.value[1] * 60 + t.value[2] : (int64_t)t.value[0] * 60 + t.value[1];
    *ns = s * TAUT_NS_PER_S + t.fraction_ns;
    return t.count == 3 ? TAUTCTL_CLOCK_HMS : TAUTCTL_CLOCK_TWO;
}
