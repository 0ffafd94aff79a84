/* Finds numbers in the small reference JSON files by the names on the way to them. Not a parser: each name is sought
 * after the one before, which is enough for files that do not change. Include it after cmocka.h. */
#ifndef TT_JSON_H
#define TT_JSON_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TT_JSON_MAX = 256 * 1024 };

static inline char *tt_json_load(const char *name)
{
    static char text[TT_JSON_MAX];
    char path[512];
    snprintf(path, sizeof path, "%s/%s", TAUT_REFERENCE, name);
    FILE *file = fopen(path, "r");
    if (!file)
        fail_msg("%s: can not be opened", path);
    size_t n = fread(text, 1, sizeof text - 1, file);
    fclose(file);
    text[n] = '\0';
    return text;
}

/* Names separated by '/'; a value may be a number or a number in quotes. */
static inline double tt_json_number(const char *text, const char *names)
{
    char key[128];
    const char *at = text, *name = names;
    while (*name) {
        size_t n = strcspn(name, "/");
        snprintf(key, sizeof key, "\"%.*s\"", (int)n, name);
        at = strstr(at, key);
        if (!at)
            fail_msg("no %s on the way to %s", key, names);
        at += strlen(key);
        name += n + (name[n] == '/');
    }
    at += strspn(at, ": \n[\"");
    char *end;
    double value = strtod(at, &end);
    if (end == at)
        fail_msg("no number at %s", names);
    return value;
}

#endif
