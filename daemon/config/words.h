/** @file words.h  Words in messages: quoting what a person wrote, and guessing what was meant.
 *
 *  Internal to daemon/config. */
#ifndef TAUTD_CONFIG_WORDS_H
#define TAUTD_CONFIG_WORDS_H

#include <stddef.h>

enum { TAUTD_QUOTED_MAX = 72 };

/** `text` in double quotes, cut after about 48 bytes (never inside a UTF-8 sequence), control characters as '?'.
 *  @return out */
const char *tautd_quote(const char *text, char out[TAUTD_QUOTED_MAX]);

/** The nearest of several candidates, offered one by one. Zero it and set `word`. */
struct tautd_nearest {
    const char *word;
    const char *found; /* the nearest yet; NULL when none is near enough to be a slip of the pen */
    int distance;
};

/** Offer a candidate (borrowed as long as `found` is used). Distance: insertions, deletions, substitutions and
 *  swaps of neighbours, upper and lower case alike. */
void tautd_nearest_offer(struct tautd_nearest *nearest, const char *candidate);

#endif
