/** @file keys.h  A mapping of a scenario read into a struct by a table of keys, with the configuration's own reader of
 *  values, so that mistakes read alike in both kinds of file. */
#ifndef TAUTSIM_KEYS_H
#define TAUTSIM_KEYS_H

#include "config/document.h"
#include "taut/keys.h"

/** Fill *out from a mapping; every field gets its fallback first. Keys of kind BLOCK are left to the caller.
 *  @param node   NULL: not there, fallbacks only
 *  @param where  for messages, such as "bags[0]"; "" at the top
 *  Unknown, double and missing keys and values that are not allowed are findings. */
void tautsim_keys_read(const struct tautd_report *report, const struct tautd_node *node, const char *where,
                       const struct taut_key *keys, void *out);

/** The value under `key` of a mapping, or NULL. */
const struct tautd_node *tautsim_keys_child(const struct tautd_node *map, const char *key);

#endif
