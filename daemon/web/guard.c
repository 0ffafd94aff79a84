#include "web/guard.h"

#include <ctype.h>
#include <string.h>
#include <strings.h>

/* Length of the host part of "name", "name:80", "[v6]" or "[v6]:80"; 0 when the rest is not a port. */
static size_t host_length(const char *host)
{
    size_t n = host[0] == '[' ? strcspn(host, "]") + 1 : strcspn(host, ":");
    if (n > strlen(host))
        return 0;
    const char *rest = host + n;
    if (*rest == '\0')
        return n;
    size_t digits = rest[0] == ':' ? strspn(rest + 1, "0123456789") : 0;
    return digits >= 1 && digits <= 5 && rest[1 + digits] == '\0' ? n : 0;
}

/* 127.a.b.c with plain decimal parts. */
static bool is_loopback_v4(const char *text, size_t n)
{
    int parts = 0;
    for (size_t i = 0; i < n;) {
        int value = 0, digits = 0;
        for (; i < n && isdigit((unsigned char)text[i]) && digits < 4; i++, digits++)
            value = value * 10 + (text[i] - '0');
        if (digits == 0 || digits > 3 || value > 255 || (parts == 0 && value != 127))
            return false;
        parts++;
        if (i < n && (text[i++] != '.' || i == n))
            return false;
    }
    return parts == 4;
}

bool tautd_guard_host(const char *host)
{
    size_t n = host ? host_length(host) : 0;
    if (n == 0)
        return false;
    return (n == 9 && strncasecmp(host, "localhost", 9) == 0) || (n == 5 && strncmp(host, "[::1]", 5) == 0) ||
           is_loopback_v4(host, n);
}

bool tautd_guard_origin(const char *origin, const char *host)
{
    if (strncasecmp(origin, "http://", 7) == 0)
        return strcasecmp(origin + 7, host) == 0;
    return strncasecmp(origin, "https://", 8) == 0 && strcasecmp(origin + 8, host) == 0;
}

bool tautd_guard_target(const char *target)
{
    size_t n = 0;
    for (; target[n]; n++)
        if (target[n] < 0x21 || target[n] > 0x7E || n >= TAUTD_GUARD_TARGET_MAX)
            return false;
    return target[0] == '/' && strstr(target, "%00") == NULL;
}

/* Length of the UTF-8 sequence at `s` (RFC 3629), 0 when it is none; its code point. */
static int utf8_sequence(const unsigned char *s, unsigned *code)
{
    static const unsigned least[] = {0, 0, 0x80, 0x800, 0x10000};
    int n = s[0] < 0x80 ? 1 : s[0] < 0xC0 ? 0 : s[0] < 0xE0 ? 2 : s[0] < 0xF0 ? 3 : s[0] < 0xF8 ? 4 : 0;
    if (n <= 1) {
        *code = s[0];
        return n;
    }
    *code = s[0] & (0x7Fu >> n);
    for (int i = 1; i < n; i++) {
        if ((s[i] & 0xC0) != 0x80)
            return 0;
        *code = *code << 6 | (s[i] & 0x3Fu);
    }
    return *code < least[n] || *code > 0x10FFFF || (*code >= 0xD800 && *code <= 0xDFFF) ? 0 : n;
}

bool tautd_guard_text(const char *text)
{
    const unsigned char *s = (const unsigned char *)text;
    while (*s) {
        unsigned code;
        int n = utf8_sequence(s, &code);
        if (n == 0 || code < 0x20 || (code >= 0x7F && code < 0xA0))
            return false;
        s += n;
    }
    return true;
}
