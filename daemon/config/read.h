/** @file read.h  From the tree to the structs, and the checks between entries.
 *
 *  Internal to daemon/config. */
#ifndef TAUTD_CONFIG_READ_H
#define TAUTD_CONFIG_READ_H

#include <stdbool.h>

#include "config/document.h"
#include "config/schema.h"

/** An entry as it stands in the file. */
struct tautd_entry {
    const struct tautd_node *node; /* NULL: a mapping that was left out */
    bool clean;                    /* nothing was found wrong in its own keys; only then do checks between entries say more */
};

struct tautd_reader {
    const struct tautd_report *report;
    struct tautd_config *config;
    struct tautd_entry *entry[TAUTD_SECTIONS]; /* as many as the section has entries */
};

/** Where a key of an entry stands: its value, else the entry. */
const struct tautd_node *tautd_reader_place(const struct tautd_reader *reader, enum tautd_section_id id, int index,
                                            const char *key);

/** Is the key written in the file? */
bool tautd_reader_given(const struct tautd_reader *reader, enum tautd_section_id id, int index, const char *key);

/** Add a finding (or warning) about a key of an entry: "channels[3].range: <text>"; key NULL: about the entry.
 *  A finding makes the entry unclean. */
void tautd_reader_error(struct tautd_reader *reader, enum tautd_section_id id, int index, const char *key, const char *format,
                        ...) TAUT_PRINTF(5, 6);
void tautd_reader_warning(struct tautd_reader *reader, enum tautd_section_id id, int index, const char *key, const char *format,
                          ...) TAUT_PRINTF(5, 6);

/** Read all sections of `top` into reader->config, with defaults, and find the entries that others name.
 *  @return false when there was no memory */
bool tautd_reader_read(struct tautd_reader *reader, const struct tautd_node *top);

/** Free what the reader holds, not the configuration. */
void tautd_reader_end(struct tautd_reader *reader);

/** The checks that need more than one key, and the values that follow from others. */
void tautd_check_lines(struct tautd_reader *reader);
void tautd_check_channels(struct tautd_reader *reader);
void tautd_check_outputs(struct tautd_reader *reader);
void tautd_check_stations(struct tautd_reader *reader);
void tautd_check_recipes(struct tautd_reader *reader);
void tautd_check_daemon(struct tautd_reader *reader);
/** Channels and outputs that nobody uses: warnings, for a configuration without mistakes. */
void tautd_check_unused(struct tautd_reader *reader);
/** Can each serial line carry what is asked of it? */
void tautd_check_load(struct tautd_reader *reader);

#endif
