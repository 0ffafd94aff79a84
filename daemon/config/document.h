/** @file document.h  A YAML text as a tree whose nodes keep their place, and the findings made about it.
 *
 *  Internal to daemon/config. */
#ifndef TAUTD_CONFIG_DOCUMENT_H
#define TAUTD_CONFIG_DOCUMENT_H

#include <stddef.h>

#include "config/config.h"

enum {
    TAUTD_DOCUMENT_BYTES_MAX = 1024 * 1024,
    TAUTD_DOCUMENT_DEPTH_MAX = 8,
    TAUTD_DOCUMENT_NODES_MAX = 200000,
    TAUTD_DOCUMENT_KEYS_MAX = 100, /* in one mapping: searching them stays cheap */
};

enum tautd_node_kind { TAUTD_NODE_VALUE, TAUTD_NODE_LIST, TAUTD_NODE_MAP };

struct tautd_node {
    enum tautd_node_kind kind;
    int line, column;         /* 1 is the first */
    char *text;               /* VALUE: the text, owned; no byte below 0x20 but tab and newline */
    struct tautd_node *first; /* LIST: entries; MAP: keys (VALUE nodes), each with its `value` */
    struct tautd_node *last;
    struct tautd_node *next;
    struct tautd_node *value; /* of a key */
    struct tautd_node *parent;
    int children;
};

/** Where findings go. */
struct tautd_report {
    const char *file;
    struct tautd_findings *findings;
    const char *needed, *example; /* the sections a file of this kind needs, and one of them, for messages */
};

/** Read `size` bytes of YAML into a tree.
 *  @return the top mapping (free with tautd_node_free), or NULL with a finding that says where and why.
 *  A key that is given twice is there twice; the reader of the section reports it. */
struct tautd_node *tautd_document_parse(const char *text, size_t size, const struct tautd_report *report);

void tautd_node_free(struct tautd_node *node);

/** The first key node of a mapping with this name, or NULL.  Keys are compared exactly. */
const struct tautd_node *tautd_node_key(const struct tautd_node *map, const char *key);

/** "one value \"abc\"", "a list", "a mapping": what was found, for messages.
 *  @return out */
const char *tautd_node_describe(const struct tautd_node *node, char *out, size_t size);

/** Add a finding (error) or a warning at a place; line 0 when it concerns the whole file. */
void tautd_report_error(const struct tautd_report *report, int line, int column, const char *format, ...) TAUT_PRINTF(4, 5);
void tautd_report_warning(const struct tautd_report *report, int line, int column, const char *format, ...) TAUT_PRINTF(4, 5);

/** Bring findings into the order of the file. */
void tautd_report_sort(struct tautd_findings *findings);

#endif
