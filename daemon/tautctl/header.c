#include "tautctl/header.h"

#include <ctype.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "taut/units.h"

/* Take the next word of letters, digits and bytes of UTF-8 (the degree sign). */
static bool next_word(const char **at, char word[16])
{
    while (**at && !isalnum((unsigned char)**at) && !((unsigned char)**at & 0x80))
        (*at)++;
    size_t n = 0;
    for (; isalnum((unsigned char)**at) || ((unsigned char)**at & 0x80); (*at)++)
        if (n < 15)
            word[n++] = **at;
    word[n] = '\0';
    return n > 0;
}

/* Spellings that leave no doubt; a unit's own name is taken first. */
static const char *const spellings[][2] = {
    {"mbar",     "mbar"},
    {"mbars",    "mbar"},
    {"millibar", "mbar"},
    {"bar",      "bar" },
    {"torr",     "Torr"},
    {"psi",      "psi" },
    {"inhg",     "inHg"},
    {"hpa",      "hPa" },
    {"kpa",      "kPa" },
    {"mmhg",     "mmHg"},
    {"pascal",   "Pa"  },
    {"atm",      "atm" },
};

static bool unit_of(const char *word, char unit[16])
{
    double pa;
    if (taut_units_pressure(word, &pa) == TAUT_OK && strcmp(word, "at") != 0) { /* "at" is a word of its own */
        snprintf(unit, 16, "%s", word);
        return true;
    }
    for (size_t i = 0; i < sizeof spellings / sizeof spellings[0]; i++) {
        if (strcasecmp(word, spellings[i][0]) == 0) {
            snprintf(unit, 16, "%s", spellings[i][1]);
            return true;
        }
    }
    return false;
}

static int reference_of(const char *word)
{
    static const char *const absolute[] = {"abs", "absolute", "a"}, *const gauge[] = {"gauge", "g", "gage", "rel", "relative"};
    for (size_t i = 0; i < sizeof absolute / sizeof absolute[0]; i++)
        if (strcasecmp(word, absolute[i]) == 0)
            return 0;
    for (size_t i = 0; i < sizeof gauge / sizeof gauge[0]; i++)
        if (strcasecmp(word, gauge[i]) == 0)
            return 1;
    return -1;
}

bool tautctl_header_pressure(const char *heading, char unit[16], int *reference)
{
    char word[16], shorter[16];
    unit[0] = '\0';
    *reference = -1;
    for (const char *at = heading; next_word(&at, word);) {
        if (unit[0] && reference_of(word) >= 0)
            *reference = reference_of(word);
        else if (strlen(word) > 1 && reference_of(word) >= 0)
            *reference = reference_of(word);
        if (unit[0] || unit_of(word, unit))
            continue;
        /* "mbara", "psig" */
        size_t n = strlen(word);
        memcpy(shorter, word, n);
        shorter[n - 1] = '\0';
        if (n > 3 && reference_of(word + n - 1) >= 0 && unit_of(shorter, unit))
            *reference = reference_of(word + n - 1);
    }
    return unit[0] != '\0';
}

int tautctl_header_time_unit(const char *heading)
{
    static const struct {
        const char *word;
        int unit;
    } words[] = {
        {"ms",      0},
        {"millis",  0},
        {"msec",    0},
        {"s",       1},
        {"sec",     1},
        {"secs",    1},
        {"second",  1},
        {"seconds", 1},
        {"min",     2},
        {"mins",    2},
        {"minute",  2},
        {"minutes", 2},
        {"h",       3},
        {"hour",    3},
        {"hours",   3},
        {"hr",      3}
    };
    char word[16];
    for (const char *at = heading; next_word(&at, word);)
        for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
            if (strcasecmp(word, words[i].word) == 0)
                return words[i].unit;
    return -1;
}

int tautctl_header_is_time(const char *heading)
{
    static const char *const words[] = {"time", "timestamp", "datetime", "clock", "utc"};
    char word[16];
    int found = 0;
    for (const char *at = heading; next_word(&at, word);) {
        if (strcasecmp(word, "elapsed") == 0)
            return 3;
        if (strcasecmp(word, "date") == 0 && found < 1)
            found = 1;
        if (strcmp(word, "t") == 0) /* T is a temperature */
            found = 2;
        for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
            if (strcasecmp(word, words[i]) == 0)
                found = 2;
    }
    return found;
}

int tautctl_header_kelvin(const char *heading)
{
    char word[16];
    for (const char *at = heading; next_word(&at, word);) {
        if (strcmp(word, "K") == 0 || strcasecmp(word, "kelvin") == 0)
            return 1;
        if (strcasecmp(word, "degC") == 0 || strcmp(word, "C") == 0 ||
            strcmp(word, "\xC2\xB0"
                         "C") == 0 ||
            strcasecmp(word, "celsius") == 0)
            return 0;
    }
    return -1;
}

bool tautctl_header_has(const char *heading, const char *wanted)
{
    char word[16];
    for (const char *at = heading; next_word(&at, word);)
        if (strcasecmp(word, wanted) == 0)
            return true;
    return false;
}
