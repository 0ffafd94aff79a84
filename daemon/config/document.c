/* YAML text to a tree that remembers lines and columns.
 *
 * Failure policy: a text that is not YAML, or uses more of YAML than a configuration needs (anchors, aliases, tags,
 * several documents, keys that are not plain words), gives one finding and no tree: what follows a syntax error can
 * not be told from its consequences. Size, depth and number of nodes are bounded before memory is spent. */
#include "config/document.h"

#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <yaml.h>

#include "config/words.h"

static void fill_diag(struct taut_diag *diag, const char *file, int line, int column, const char *format, va_list args)
    TAUT_PRINTF(5, 0);

static void fill_diag(struct taut_diag *diag, const char *file, int line, int column, const char *format, va_list args)
{
    memset(diag, 0, sizeof *diag);
    diag->status = TAUT_E_FORMAT;
    size_t n = strlen(file);
    if (n < sizeof diag->file)
        memcpy(diag->file, file, n);
    else /* the end of a path says more than its beginning */
        snprintf(diag->file, sizeof diag->file, "...%s", file + n - (sizeof diag->file - 4));
    diag->line = line;
    diag->column = column;
    vsnprintf(diag->text, sizeof diag->text, format, args);
}

void tautd_report_error(const struct tautd_report *report, int line, int column, const char *format, ...)
{
    struct tautd_findings *findings = report->findings;
    if (findings->count++ >= TAUTD_FINDINGS_MAX)
        return;
    va_list args;
    va_start(args, format);
    fill_diag(&findings->finding[findings->count - 1], report->file, line, column, format, args);
    va_end(args);
}

void tautd_report_warning(const struct tautd_report *report, int line, int column, const char *format, ...)
{
    struct tautd_findings *findings = report->findings;
    if (findings->warnings++ >= TAUTD_WARNINGS_MAX)
        return;
    va_list args;
    va_start(args, format);
    fill_diag(&findings->warning[findings->warnings - 1], report->file, line, column, format, args);
    va_end(args);
}

/* Stable, and few: insertion sort. */
static void sort_diags(struct taut_diag *diag, int count)
{
    for (int i = 1; i < count; i++) {
        struct taut_diag moving = diag[i];
        int j = i;
        for (;
             j > 0 && (diag[j - 1].line > moving.line || (diag[j - 1].line == moving.line && diag[j - 1].column > moving.column));
             j--)
            diag[j] = diag[j - 1];
        diag[j] = moving;
    }
}

void tautd_report_sort(struct tautd_findings *findings)
{
    sort_diags(findings->finding, findings->count < TAUTD_FINDINGS_MAX ? findings->count : TAUTD_FINDINGS_MAX);
    sort_diags(findings->warning, findings->warnings < TAUTD_WARNINGS_MAX ? findings->warnings : TAUTD_WARNINGS_MAX);
}

void tautd_node_free(struct tautd_node *node)
{
    while (node) { /* recursion only into depth, which is bounded */
        struct tautd_node *next = node->next;
        tautd_node_free(node->first);
        tautd_node_free(node->value);
        free(node->text);
        free(node);
        node = next;
    }
}

const struct tautd_node *tautd_node_key(const struct tautd_node *map, const char *key)
{
    for (const struct tautd_node *k = map->kind == TAUTD_NODE_MAP ? map->first : NULL; k; k = k->next)
        if (strcmp(k->text, key) == 0)
            return k;
    return NULL;
}

const char *tautd_node_describe(const struct tautd_node *node, char *out, size_t size)
{
    char quoted[TAUTD_QUOTED_MAX];
    if (node->kind == TAUTD_NODE_LIST)
        snprintf(out, size, "a list of %d", node->children);
    else if (node->kind == TAUTD_NODE_MAP)
        snprintf(out, size, "a mapping");
    else if (node->text[0] == '\0')
        snprintf(out, size, "nothing");
    else
        snprintf(out, size, "the value %s", tautd_quote(node->text, quoted));
    return out;
}

/* ---- bytes -------------------------------------------------------------------------------------------------- */

/* Length of the UTF-8 sequence at s, 0 when it is none. RFC 3629. */
static size_t utf8_length(const unsigned char *s, size_t left)
{
    static const struct {
        unsigned char first_low, first_high, second_low, second_high;
        size_t length;
    } forms[] = {
        {0xC2, 0xDF, 0x80, 0xBF, 2},
        {0xE0, 0xE0, 0xA0, 0xBF, 3},
        {0xE1, 0xEC, 0x80, 0xBF, 3},
        {0xED, 0xED, 0x80, 0x9F, 3},
        {0xEE, 0xEF, 0x80, 0xBF, 3},
        {0xF0, 0xF0, 0x90, 0xBF, 4},
        {0xF1, 0xF3, 0x80, 0xBF, 4},
        {0xF4, 0xF4, 0x80, 0x8F, 4}
    };
    if (s[0] < 0x80)
        return 1;
    for (size_t i = 0; i < sizeof forms / sizeof forms[0]; i++) {
        if (s[0] < forms[i].first_low || s[0] > forms[i].first_high)
            continue;
        if (left < forms[i].length || s[1] < forms[i].second_low || s[1] > forms[i].second_high)
            return 0;
        for (size_t k = 2; k < forms[i].length; k++)
            if ((s[k] & 0xC0) != 0x80)
                return 0;
        return forms[i].length;
    }
    return 0;
}

static bool check_bytes(const char *text, size_t size, const struct tautd_report *report)
{
    if (size > TAUTD_DOCUMENT_BYTES_MAX) {
        tautd_report_error(report, 0, 0, "the file is larger than %d bytes", TAUTD_DOCUMENT_BYTES_MAX);
        return false;
    }
    int line = 1, column = 1;
    for (size_t i = 0; i < size;) {
        unsigned char c = (unsigned char)text[i];
        size_t n = utf8_length((const unsigned char *)text + i, size - i);
        if (n == 0) {
            tautd_report_error(report, line, column, "byte 0x%02X is not UTF-8; save the file with UTF-8 encoding", c);
            return false;
        }
        if ((c < 0x20 && c != '\t' && c != '\n' && c != '\r') || c == 0x7F) {
            tautd_report_error(report, line, column, "control character 0x%02X; only text is allowed", c);
            return false;
        }
        column = c == '\n' ? 1 : column + 1;
        line += c == '\n';
        i += n;
    }
    return true;
}

/* ---- what the parser says, in plain words --------------------------------------------------------------------- */

/* Does white space before column `column` of line `line` hold a tab? */
static bool indented_by_tab(const char *text, size_t size, int line, int *column)
{
    size_t i = 0;
    for (int l = 1; l < line && i < size; i++)
        l += text[i] == '\n';
    for (int c = 1; i < size && (text[i] == ' ' || text[i] == '\t' || text[i] == '-'); i++, c++)
        if (text[i] == '\t') {
            *column = c;
            return true;
        }
    return false;
}

/* The parser's words for the slips that happen most, and ours; others are passed on as they are. */
static const char *plain_words(const char *problem)
{
    static const struct {
        const char *theirs, *ours;
    } words[] = {
        {"mapping values are not allowed in this context",
         "no key can stand here; is a space missing after the ':' before it, or is the indent wrong?"                               },
        {"did not find expected key",                      "a key is expected here, indented like the keys above it"                },
        {"did not find expected '-' indicator",            "an entry beginning with \"- \" is expected here, or the indent is wrong"},
        {"could not find expected ':'",                    "a ':' and a space are expected between key and value"                   },
        {"did not find expected ',' or '}'",               "a ',' or the closing '}' is missing before this"                        },
        {"did not find expected ',' or ']'",               "a ',' or the closing ']' is missing before this"                        },
        {"found unexpected end of stream",                 "the file ends before the closing quote"                                 },
        {"found character that cannot start any token",    "this character can not begin a value; put the text in quotes"           },
    };
    for (size_t i = 0; problem && i < sizeof words / sizeof words[0]; i++)
        if (strcmp(words[i].theirs, problem) == 0)
            return words[i].ours;
    return problem ? problem : "it can not be understood";
}

static void report_syntax(const yaml_parser_t *parser, const char *text, size_t size, const struct tautd_report *report)
{
    int line = (int)parser->problem_mark.line + 1, column = (int)parser->problem_mark.column + 1, at = 0;
    if (parser->error == YAML_MEMORY_ERROR) {
        tautd_report_error(report, 0, 0, "no memory");
        return;
    }
    if (indented_by_tab(text, size, line, &at)) {
        tautd_report_error(report, line, at, "a tab; indent with spaces only");
        return;
    }
    const char *plain = plain_words(parser->problem);
    if (parser->context && parser->context_mark.line != parser->problem_mark.line)
        tautd_report_error(report, line, column, "not YAML: %s (in what begins on line %d)", plain,
                           (int)parser->context_mark.line + 1);
    else
        tautd_report_error(report, line, column, "not YAML: %s", plain);
}

/* ---- events to nodes ------------------------------------------------------------------------------------------ */

struct builder {
    const struct tautd_report *report;
    struct tautd_node *top, *open; /* open: the list or mapping being filled */
    struct tautd_node *key;        /* of the mapping `open`, waiting for its value */
    int depth, nodes, documents;
};

static bool refuse(const struct builder *b, const yaml_event_t *event, const char *why)
{
    tautd_report_error(b->report, (int)event->start_mark.line + 1, (int)event->start_mark.column + 1, "%s", why);
    return false;
}

static void append(struct tautd_node *list, struct tautd_node *node)
{
    if (list->last)
        list->last->next = node;
    else
        list->first = node;
    list->last = node;
    list->children++;
}

static bool attach(struct builder *b, const yaml_event_t *event, struct tautd_node *node)
{
    node->parent = b->open;
    if (!b->open) {
        b->top = node;
    } else if (b->open->kind == TAUTD_NODE_LIST) {
        append(b->open, node);
    } else if (b->key) {
        b->key->value = node;
        b->key = NULL;
    } else {
        append(b->open, node); /* first, so that the tree owns it */
        if (node->kind != TAUTD_NODE_VALUE)
            return refuse(b, event, "a key must be a plain word");
        if (b->open->children > TAUTD_DOCUMENT_KEYS_MAX)
            return refuse(b, event, "more keys than any section has");
        b->key = node;
    }
    return true;
}

static struct tautd_node *new_node(struct builder *b, const yaml_event_t *event, enum tautd_node_kind kind)
{
    if (++b->nodes > TAUTD_DOCUMENT_NODES_MAX) {
        refuse(b, event, "more values than any configuration needs");
        return NULL;
    }
    struct tautd_node *node = calloc(1, sizeof *node);
    if (!node) {
        refuse(b, event, "no memory");
        return NULL;
    }
    node->kind = kind;
    node->line = (int)event->start_mark.line + 1;
    node->column = (int)event->start_mark.column + 1;
    return node;
}

static bool take_value(struct builder *b, const yaml_event_t *event)
{
    if (event->data.scalar.anchor)
        return refuse(b, event, "an anchor (&name); write the value out where it is needed");
    if (event->data.scalar.tag)
        return refuse(b, event, "a tag (!name); write the bare value");
    const char *value = (const char *)event->data.scalar.value;
    if (memchr(value, '\0', event->data.scalar.length))
        return refuse(b, event, "a NUL character; only text is allowed");
    struct tautd_node *node = new_node(b, event, TAUTD_NODE_VALUE);
    if (!node)
        return false;
    node->text = strdup(value);
    if (!node->text) {
        free(node);
        return refuse(b, event, "no memory");
    }
    return attach(b, event, node);
}

static bool open_group(struct builder *b, const yaml_event_t *event, enum tautd_node_kind kind)
{
    bool list = kind == TAUTD_NODE_LIST;
    if (list ? event->data.sequence_start.anchor : event->data.mapping_start.anchor)
        return refuse(b, event, "an anchor (&name); write the value out where it is needed");
    if (list ? event->data.sequence_start.tag : event->data.mapping_start.tag)
        return refuse(b, event, "a tag (!name); write the bare value");
    if (++b->depth > TAUTD_DOCUMENT_DEPTH_MAX)
        return refuse(b, event, "nested deeper than any configuration needs");
    struct tautd_node *node = new_node(b, event, kind);
    if (!node)
        return false;
    if (!attach(b, event, node))
        return false;
    b->open = node;
    b->key = NULL;
    return true;
}

static bool take_event(struct builder *b, const yaml_event_t *event)
{
    switch (event->type) {
    case YAML_DOCUMENT_START_EVENT:
        return ++b->documents == 1 || refuse(b, event, "a second document (---); a configuration is one document");
    case YAML_SCALAR_EVENT:
        return take_value(b, event);
    case YAML_SEQUENCE_START_EVENT:
        return open_group(b, event, TAUTD_NODE_LIST);
    case YAML_MAPPING_START_EVENT:
        return open_group(b, event, TAUTD_NODE_MAP);
    case YAML_SEQUENCE_END_EVENT:
    case YAML_MAPPING_END_EVENT:
        b->depth--;
        b->open = b->open->parent;
        b->key = NULL;
        return true;
    case YAML_ALIAS_EVENT:
        return refuse(b, event, "an alias (*name); write the value out where it is needed");
    default:
        return true;
    }
}

static bool build(yaml_parser_t *parser, struct builder *b, const char *text, size_t size)
{
    for (;;) { /* every event consumes input, which is bounded */
        yaml_event_t event;
        if (!yaml_parser_parse(parser, &event)) {
            report_syntax(parser, text, size, b->report);
            return false;
        }
        bool good = take_event(b, &event), end = event.type == YAML_STREAM_END_EVENT;
        yaml_event_delete(&event);
        if (!good || end)
            return good;
    }
}

struct tautd_node *tautd_document_parse(const char *text, size_t size, const struct tautd_report *report)
{
    if (size >= 3 && memcmp(text, "\xEF\xBB\xBF", 3) == 0) { /* a byte order mark is no column */
        text += 3;
        size -= 3;
    }
    if (!check_bytes(text, size, report))
        return NULL;
    yaml_parser_t parser;
    if (!yaml_parser_initialize(&parser)) {
        tautd_report_error(report, 0, 0, "no memory");
        return NULL;
    }
    yaml_parser_set_encoding(&parser, YAML_UTF8_ENCODING);
    yaml_parser_set_input_string(&parser, (const unsigned char *)text, size);
    struct builder b = {.report = report};
    bool good = build(&parser, &b, text, size);
    yaml_parser_delete(&parser);
    char found[100];
    if (good && (!b.top || (b.top->kind == TAUTD_NODE_VALUE && b.top->text[0] == '\0'))) {
        tautd_report_error(report, 0, 0, "the file is empty; %s are needed", report->needed);
        good = false;
    } else if (good && b.top->kind != TAUTD_NODE_MAP) {
        tautd_report_error(report, b.top->line, b.top->column, "found %s; sections such as \"%s:\" are needed",
                           tautd_node_describe(b.top, found, sizeof found), report->example);
        good = false;
    }
    if (!good) {
        tautd_node_free(b.top);
        return NULL;
    }
    return b.top;
}
