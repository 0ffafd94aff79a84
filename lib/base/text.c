#include "taut/text.h"

#include <assert.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void taut_text_init(struct taut_text *text, char *storage, size_t capacity)
{
    assert(capacity > 0);
    *text = (struct taut_text){.at = storage, .capacity = capacity};
    storage[0] = '\0';
}

void taut_text_add_bytes(struct taut_text *text, const char *bytes, size_t n)
{
    if (n >= text->capacity - text->length) {
        text->full = true;
        return;
    }
    memcpy(text->at + text->length, bytes, n);
    text->length += n;
    text->at[text->length] = '\0';
}

void taut_text_add(struct taut_text *text, const char *string)
{
    taut_text_add_bytes(text, string, strlen(string));
}

void taut_text_add_char(struct taut_text *text, char c)
{
    taut_text_add_bytes(text, &c, 1);
}

void taut_text_addf(struct taut_text *text, const char *format, ...)
{
    size_t room = text->capacity - text->length;
    va_list args;
    va_start(args, format);
    int n = vsnprintf(text->at + text->length, room, format, args);
    va_end(args);
    if (n < 0 || (size_t)n >= room) {
        text->at[text->length] = '\0';
        text->full = true;
        return;
    }
    text->length += (size_t)n;
}

void taut_text_add_thousandths(struct taut_text *text, int64_t value)
{
    char digits[24];
    char *end = digits + sizeof digits, *p = end;
    uint64_t rest = value < 0 ? 0 - (uint64_t)value : (uint64_t)value;
    for (int i = 0; rest != 0 || i < 4; i++) {
        if (i == 3)
            *--p = '.';
        *--p = (char)('0' + rest % 10);
        rest /= 10;
    }
    if (value < 0)
        *--p = '-';
    taut_text_add_bytes(text, p, (size_t)(end - p));
}

void taut_text_add_double(struct taut_text *text, double value)
{
    if (!isfinite(value)) {
        taut_text_add(text, "null");
        return;
    }
    char shortest[40];
    for (int digits = 15; digits <= 17; digits++) {
        snprintf(shortest, sizeof shortest, "%.*g", digits, value);
        if (strtod(shortest, NULL) == value)
            break;
    }
    taut_text_add(text, shortest);
}

/* Length of the UTF-8 sequence at `s`, 0 when it is not one (overlong, surrogate, past U+10FFFF). RFC 3629. */
static int utf8_length(const unsigned char *s)
{
    if (s[0] < 0x80)
        return 1;
    if (s[0] >= 0xC2 && s[0] <= 0xDF)
        return (s[1] & 0xC0) == 0x80 ? 2 : 0;
    if (s[0] >= 0xE0 && s[0] <= 0xEF) {
        if ((s[1] & 0xC0) != 0x80 || (s[2] & 0xC0) != 0x80)
            return 0;
        if ((s[0] == 0xE0 && s[1] < 0xA0) || (s[0] == 0xED && s[1] > 0x9F))
            return 0;
        return 3;
    }
    if (s[0] >= 0xF0 && s[0] <= 0xF4) {
        if ((s[1] & 0xC0) != 0x80 || (s[2] & 0xC0) != 0x80 || (s[3] & 0xC0) != 0x80)
            return 0;
        if ((s[0] == 0xF0 && s[1] < 0x90) || (s[0] == 0xF4 && s[1] > 0x8F))
            return 0;
        return 4;
    }
    return 0;
}

void taut_text_add_json_string(struct taut_text *text, const char *string)
{
    taut_text_add_char(text, '"');
    for (const unsigned char *s = (const unsigned char *)string; *s;) {
        int n = utf8_length(s);
        if (n == 0) {
            taut_text_add(text, "\\ufffd");
            n = 1;
        } else if (*s == '"' || *s == '\\') {
            taut_text_addf(text, "\\%c", *s);
        } else if (*s < 0x20 || *s == 0x7F) {
            taut_text_addf(text, "\\u%04x", *s);
        } else {
            taut_text_add_bytes(text, (const char *)s, (size_t)n);
        }
        s += n;
    }
    taut_text_add_char(text, '"');
}

void taut_text_add_printable(struct taut_text *text, const char *string)
{
    for (const unsigned char *s = (const unsigned char *)string; *s && !text->full;) {
        int n = utf8_length(s);
        bool shown = n > 0 && *s >= 0x20 && *s != 0x7F && !(s[0] == 0xC2 && s[1] < 0xA0); /* C1 controls too */
        taut_text_add_bytes(text, shown ? (const char *)s : "?", shown ? (size_t)n : 1);
        s += n > 0 ? n : 1;
    }
}

bool taut_text_is_utf8(const char *string)
{
    for (const unsigned char *s = (const unsigned char *)string; *s;) {
        int n = utf8_length(s);
        if (n == 0)
            return false;
        s += n;
    }
    return true;
}
