#include "tautctl/paper.h"

#include <langinfo.h>
#include <locale.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>
#include <wchar.h>

#include "taut/units.h"

static bool utf8; /* set once by tautctl_init, before anything is printed */

void tautctl_init(void)
{
    setlocale(LC_CTYPE, "");
    utf8 = strcmp(nl_langinfo(CODESET), "UTF-8") == 0;
}

/* The next character as it may be printed, and the columns it takes. */
struct glyph {
    const char *bytes;
    int size, columns, taken; /* taken: bytes of the text */
};

static struct glyph next_glyph(const char *text)
{
    mbstate_t state = {0};
    wchar_t wide;
    const unsigned char first = (unsigned char)text[0];
    if (first >= 0x20 && first < 0x7F)
        return (struct glyph){text, 1, 1, 1};
    size_t n = utf8 && first >= 0x80 ? mbrtowc(&wide, text, strlen(text), &state) : (size_t)-1;
    if (n != (size_t)-1 && n != (size_t)-2 && wcwidth(wide) >= 0)
        return (struct glyph){text, (int)n, wcwidth(wide), (int)n};
    int taken = 1;
    if (first >= 0xC0) /* one '?' for a whole sequence */
        while (((unsigned char)text[taken] & 0xC0) == 0x80 && taken < 4)
            taken++;
    return (struct glyph){"?", 1, 1, taken};
}

static int columns_of(const char *text, size_t n)
{
    int columns = 0;
    for (const char *at = text; at < text + n;) {
        struct glyph glyph = next_glyph(at);
        columns += glyph.columns;
        at += glyph.taken;
    }
    return columns;
}

static void print_glyphs(FILE *out, const char *text, size_t n)
{
    for (const char *at = text; at < text + n;) {
        struct glyph glyph = next_glyph(at);
        fprintf(out, "%.*s", glyph.size, glyph.bytes);
        at += glyph.taken;
    }
}

void tautctl_cell(FILE *out, const char *text, int columns)
{
    const bool right = columns < 0;
    const int room = right ? -columns : columns;
    size_t n = strlen(text);
    int used = columns_of(text, n);
    const bool cut = used > room;
    if (cut) {
        n = 0;
        used = 0;
        for (struct glyph g = next_glyph(text); used + g.columns < room; g = next_glyph(text + n)) {
            used += g.columns;
            n += (size_t)g.taken;
        }
        used++; /* the '~' */
    }
    if (right)
        fprintf(out, "%*s", room - used, "");
    print_glyphs(out, text, n);
    if (cut)
        fputc('~', out);
    if (!right)
        fprintf(out, "%*s", room - used, "");
}

void tautctl_wrap(FILE *out, int indent, const char *text)
{
    int column = 0;
    while (*(text += strspn(text, " ")) != '\0') {
        size_t n = strcspn(text, " ");
        int columns = columns_of(text, n);
        if (column > 0 && column + 1 + columns > PAPER_COLUMNS) {
            fputc('\n', out);
            column = 0;
        }
        fprintf(out, "%*s", column == 0 ? indent : 1, "");
        column += (column == 0 ? indent : 1) + columns;
        print_glyphs(out, text, n);
        text += n;
    }
    fputc('\n', out);
}

void tautctl_duration(double s, char out[32])
{
    if (!isfinite(s) || s < 0 || s > 1e9) {
        snprintf(out, 32, "-");
        return;
    }
    long whole = (long)s;
    snprintf(out, 32, "%ld:%02ld:%02ld", whole / 3600, whole / 60 % 60, whole % 60);
}

int tautctl_unit_find(const char *name, struct tautctl_unit *out)
{
    static const struct tautctl_unit units[] = {
        {"mbar", 2, 3, 0},
        {"Pa",   0, 1, 0},
        {"kPa",  3, 4, 0},
        {"inHg", 3, 4, 0},
        {"Torr", 2, 3, 0},
        {"psi",  4, 5, 0},
    };
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        double pa;
        if (strcmp(units[i].name, name) == 0 && taut_units_pressure(name, &pa) == TAUT_OK) {
            *out = units[i];
            out->per_mbar = TAUT_PA_PER_MBAR / pa;
            return 0;
        }
    }
    return -1;
}

void tautctl_pressure(const struct tautctl_unit *unit, double mbar, char out[32])
{
    if (isfinite(mbar))
        snprintf(out, 32, "%.*f", unit->decimals, mbar * unit->per_mbar);
    else
        snprintf(out, 32, "no value");
}

void tautctl_rate(const struct tautctl_unit *unit, double mbar_per_min, double u_mbar_per_min, char out[64])
{
    out[0] = '\0';
    if (isfinite(mbar_per_min) && isfinite(u_mbar_per_min))
        snprintf(out, 64, "%+.*f %s %.*f", unit->rate_decimals, mbar_per_min * unit->per_mbar, utf8 ? "\xC2\xB1" : "+-",
                 unit->rate_decimals, u_mbar_per_min * unit->per_mbar);
}
