#include "config/words.h"

#include <ctype.h>
#include <stdbool.h>
#include <string.h>

const char *tautd_quote(const char *text, char out[TAUTD_QUOTED_MAX])
{
    enum { KEEP = 48 };
    size_t n = strlen(text), kept = n;
    if (n > KEEP)
        for (kept = KEEP; kept > 0 && ((unsigned char)text[kept] & 0xC0) == 0x80; kept--)
            ;
    char *p = out;
    *p++ = '"';
    for (size_t i = 0; i < kept; i++)
        *p++ = (unsigned char)text[i] < 0x20 || text[i] == 0x7F ? '?' : text[i];
    if (kept < n) {
        memcpy(p, "...", 3);
        p += 3;
    }
    *p++ = '"';
    *p = '\0';
    return out;
}

static int smaller(int a, int b)
{
    return a < b ? a : b;
}

static bool same(char a, char b)
{
    return tolower((unsigned char)a) == tolower((unsigned char)b);
}

/* Optimal string alignment distance with three rolling rows; words longer than a row are no slips of the pen. */
static int distance(const char *a, const char *b)
{
    enum { LONGEST = 48 };
    int n = (int)strlen(a), m = (int)strlen(b);
    if (n >= LONGEST || m >= LONGEST)
        return LONGEST;
    int rows[3][LONGEST + 1];
    int *before = rows[0], *above = rows[1], *row = rows[2];
    for (int j = 0; j <= m; j++)
        before[j] = above[j] = j;
    for (int i = 1; i <= n; i++) {
        row[0] = i;
        for (int j = 1; j <= m; j++) {
            row[j] = smaller(smaller(above[j], row[j - 1]) + 1, above[j - 1] + (same(a[i - 1], b[j - 1]) ? 0 : 1));
            if (i > 1 && j > 1 && same(a[i - 1], b[j - 2]) && same(a[i - 2], b[j - 1]))
                row[j] = smaller(row[j], before[j - 2] + 1);
        }
        int *oldest = before;
        before = above;
        above = row;
        row = oldest;
    }
    return above[m];
}

void tautd_nearest_offer(struct tautd_nearest *nearest, const char *candidate)
{
    int allowed = 1 + (int)strlen(nearest->word) / 4;
    int d = distance(nearest->word, candidate);
    if (d > allowed || d >= (int)strlen(candidate) || (nearest->found && d >= nearest->distance))
        return;
    nearest->found = candidate;
    nearest->distance = d;
}
