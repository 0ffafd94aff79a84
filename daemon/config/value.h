/** @file value.h  One value of a configuration: text to field, field to text, and what is allowed, in words.
 *
 *  Internal to daemon/config. */
#ifndef TAUTD_CONFIG_VALUE_H
#define TAUTD_CONFIG_VALUE_H

#include <stdbool.h>

#include "config/document.h"
#include "taut/keys.h"
#include "taut/text.h"

/** Why a value was refused. */
struct tautd_value_problem {
    int line, column;
    char text[200]; /* what was found; what is allowed */
};

/** Read a value into its field of `entry`.
 *  @return false with *problem; the field is then untouched */
bool tautd_value_read(const struct taut_key *key, const struct tautd_node *node, void *entry,
                      struct tautd_value_problem *problem);

/** Give a field its default, or "not set" (NaN, "", 0, no) when the key has none. */
void tautd_value_default(const struct taut_key *key, void *entry);

/** Write a field as it would stand in a file, so that reading it gives the same bits.
 *  @return false when the field is not set; then nothing was written */
bool tautd_value_print(const struct taut_key *key, const void *entry, struct taut_text *out);

/** "0.01 to 30 s", "one of rtu, tcp", "yes or no", ...: what is allowed, for messages and the manual. */
void tautd_value_allowed(const struct taut_key *key, struct taut_text *out);

/** For a Modicon-style register number (30001, 400011): "the input register 30001 has the address 0"; else "".
 *  @return out */
const char *tautd_value_register_hint(long number, char *out, unsigned long size);

#endif
