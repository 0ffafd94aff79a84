#include "taut/record.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum { KEPT_MOST = 48 };

/* FNV-1a, 64 bits; parameters from the Internet draft "The FNV Non-Cryptographic Hash Algorithm". */
static uint64_t fnv1a(const char *text)
{
    uint64_t hash = UINT64_C(0xcbf29ce484222325);
    for (const unsigned char *s = (const unsigned char *)text; *s; s++)
        hash = (hash ^ *s) * UINT64_C(0x100000001b3);
    return hash;
}

static bool stays(char c, bool first)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' || c == '_' ||
           (c == '.' && !first);
}

static bool has_control(const char *text)
{
    for (const unsigned char *s = (const unsigned char *)text; *s; s++)
        if (*s < 0x20 || *s == 0x7F || (*s == 0xC2 && s[1] >= 0x80 && s[1] <= 0x9F))
            return true;
    return false;
}

enum taut_status taut_part_folder(const char *part, char out[TAUT_FOLDER_NAME_MAX], struct taut_diag *diag)
{
    size_t length = strlen(part);
    if (length == 0)
        return taut_diag_set(diag, TAUT_E_ARG, "the part id is empty; give at least one character");
    if (length >= TAUT_PART_ID_MAX)
        return taut_diag_set(diag, TAUT_E_ARG, "the part id has %zu bytes; at most %d are allowed", length, TAUT_PART_ID_MAX - 1);
    if (!taut_text_is_utf8(part))
        return taut_diag_set(diag, TAUT_E_ARG, "the part id is not UTF-8 text");
    if (has_control(part))
        return taut_diag_set(diag, TAUT_E_ARG, "the part id holds a control character such as a tab or a line break");
    bool changed = length > KEPT_MOST;
    size_t kept = changed ? KEPT_MOST : length;
    for (size_t i = 0; i < kept; i++) {
        bool same = stays(part[i], i == 0);
        out[i] = same ? part[i] : '_';
        changed = changed || !same;
    }
    out[kept] = '\0';
    if (changed)
        snprintf(out + kept, TAUT_FOLDER_NAME_MAX - kept, "~%016" PRIx64, fnv1a(part));
    return TAUT_OK;
}
