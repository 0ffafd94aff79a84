/** @file keys.h  A YAML mapping read into a struct by a table of keys. */
#ifndef TAUTSIM_KEYS_H
#define TAUTSIM_KEYS_H

#include <yaml.h>

#include "scenario.h"
#include "taut/keys.h"

/** What the reading of one file needs to know. */
struct tautsim_reader {
    yaml_document_t *document;
    const char *path;
    struct tautsim_findings *findings;
};

/** A finding at a node. */
void tautsim_keys_find(struct tautsim_reader *reader, const yaml_node_t *node, const char *format, ...) TAUT_PRINTF(3, 4);

/** Set every field of the table to its fallback (required ones to zero). */
void tautsim_keys_defaults(const struct taut_key *keys, void *out);

/** Fill *out from a mapping.
 *  @param where  for messages, such as "bags[0]"
 *  Unknown, double and missing keys and values out of range are findings. */
void tautsim_keys_read(struct tautsim_reader *reader, const yaml_node_t *node, const char *where, const struct taut_key *keys,
                       void *out);

/** The node under `key` of a mapping, or NULL. */
const yaml_node_t *tautsim_keys_child(struct tautsim_reader *reader, const yaml_node_t *node, const char *key);

#endif
