/** @file schema.h  The sections of a configuration and their keys: one table that drives parsing, checking, printing,
 *  the commented example and the manual.
 *
 *  Internal to daemon/config. */
#ifndef TAUTD_CONFIG_SCHEMA_H
#define TAUTD_CONFIG_SCHEMA_H

#include <stdbool.h>
#include <stddef.h>

#include "config/config.h"
#include "taut/keys.h"

/** A key that has a meaning only when another (a CHOICE that stands before it in the table) has one word. */
struct tautd_condition {
    const char *key, *selector, *word;
};

/** Where the index of the entry that a REFER key names is kept. */
struct tautd_link {
    const char *key;
    size_t offset; /* of an int in the entry; -1 when the key is not set */
};

enum tautd_section_id {
    TAUTD_SECTION_DAEMON,
    TAUTD_SECTION_API,
    TAUTD_SECTION_LINES,
    TAUTD_SECTION_CHANNELS,
    TAUTD_SECTION_OUTPUTS,
    TAUTD_SECTION_STATIONS,
    TAUTD_SECTION_RECIPES,
    TAUTD_SECTIONS
};

struct tautd_section {
    const char *name;      /* "channels" */
    const char *one;       /* "channel" */
    const char *help;      /* what an entry is, for people */
    bool list;             /* a list of entries, else one mapping */
    bool required;         /* at least one entry */
    int most;              /* entries */
    size_t entry_size;     /* list: bytes of one entry */
    size_t base;           /* mapping: where the fields are in struct tautd_config */
    size_t entries, count; /* list: where the pointer and the number are in struct tautd_config */
    const struct taut_key *(*keys)(size_t *count);
    const struct tautd_condition *conditions; /* end with a row whose key is NULL */
    const struct tautd_link *links;           /* the same */
};

/** In the order of printing. */
const struct tautd_section *tautd_schema_section(enum tautd_section_id id);

/** The condition of a key, or NULL. */
const struct tautd_condition *tautd_schema_condition(const struct tautd_section *section, const struct taut_key *key);

/** Has the key a meaning in this entry? */
bool tautd_schema_applies(const struct tautd_section *section, const struct taut_key *key, const void *entry);

/** A key of a section by its name, or NULL. */
const struct taut_key *tautd_schema_key(const struct tautd_section *section, const char *name);

/** Number of entries of a section (1 for a mapping), and one of them. */
int tautd_schema_count(const struct tautd_section *section, const struct tautd_config *config);
void *tautd_schema_entry(const struct tautd_section *section, const struct tautd_config *config, int index);

/** Word number `index` of "a|b|c", copied; "" past the end.  @return out */
const char *tautd_schema_word(const char *choices, int index, char *out, size_t size);

#endif
