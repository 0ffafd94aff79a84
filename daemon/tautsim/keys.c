#include "keys.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void tautsim_keys_find(struct tautsim_reader *reader, const yaml_node_t *node, const char *format, ...)
{
    char text[256];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    int line = node ? (int)node->start_mark.line + 1 : 0, column = node ? (int)node->start_mark.column + 1 : 0;
    tautsim_scenario_find(reader->findings, reader->path, line, column, "%s", text);
}

static const char *scalar(const yaml_node_t *node)
{
    return node && node->type == YAML_SCALAR_NODE ? (const char *)node->data.scalar.value : NULL;
}

/* NULL when fine, else what is allowed. */
static const char *put_number(const struct taut_key *key, const char *text, double *out)
{
    char *end;
    errno = 0;
    double value = strtod(text, &end);
    if (end == text || *end || !isfinite(value))
        return "a number";
    bool bounded = key->least != 0 || key->most != 0;
    if (bounded && (value < key->least || value > key->most))
        return "in range";
    *out = value * key->to_si;
    return NULL;
}

static int choice_index(const char *choices, const char *word)
{
    size_t length = strlen(word);
    for (int i = 0; *choices; i++) {
        size_t n = strcspn(choices, "|");
        if (n == length && strncmp(choices, word, n) == 0)
            return i;
        choices += n + (choices[n] == '|');
    }
    return -1;
}

static bool is_name(const char *text)
{
    return *text && text[strspn(text, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-")] == '\0';
}

static void put_flag(void *field, const char *text, const char **wrong)
{
    bool yes = strcmp(text, "yes") == 0 || strcmp(text, "true") == 0;
    bool no = strcmp(text, "no") == 0 || strcmp(text, "false") == 0;
    if (yes || no)
        *(bool *)field = yes;
    else
        *wrong = "yes or no";
}

/* One scalar into its field.  @return NULL, or what it should have been */
static const char *put_scalar(const struct taut_key *key, const char *text, void *out)
{
    void *field = (char *)out + key->offset;
    const char *wrong = NULL;
    double number;
    switch (key->kind) {
    case TAUT_KEY_NUMBER:
        return put_number(key, text, field);
    case TAUT_KEY_WHOLE:
        wrong = put_number(key, text, &number);
        if (!wrong && number != floor(number))
            wrong = "a whole number";
        if (!wrong)
            *(int *)field = (int)number;
        return wrong;
    case TAUT_KEY_CHOICE: {
        int index = choice_index(key->choices, text);
        if (index < 0)
            return "one of";
        *(int *)field = index;
        return NULL;
    }
    case TAUT_KEY_FLAG:
        put_flag(field, text, &wrong);
        return wrong;
    case TAUT_KEY_NAME:
    case TAUT_KEY_REFER:
        if (!is_name(text))
            return "made of letters, digits, dot, underscore and hyphen";
        break;
    case TAUT_KEY_TEXT:
    case TAUT_KEY_PAIR:
    case TAUT_KEY_BLOCK:
        break;
    }
    if (strlen(text) >= key->size)
        return "shorter";
    memcpy(field, text, strlen(text) + 1);
    return NULL;
}

static void complain(struct tautsim_reader *reader, const yaml_node_t *node, const char *where, const struct taut_key *key,
                     const char *found, const char *wrong)
{
    char allowed[160];
    if (strcmp(wrong, "in range") == 0)
        snprintf(allowed, sizeof allowed, "from %g to %g%s%s", key->least, key->most, *key->unit ? " " : "", key->unit);
    else if (strcmp(wrong, "one of") == 0)
        snprintf(allowed, sizeof allowed, "one of %s", key->choices);
    else
        snprintf(allowed, sizeof allowed, "%s", wrong);
    tautsim_keys_find(reader, node, "%s.%s: \"%.40s\" must be %s", where, key->name, found, allowed);
}

static void read_pair(struct tautsim_reader *reader, const yaml_node_t *node, const char *where, const struct taut_key *key,
                      double out[2])
{
    const yaml_node_item_t *item = node->data.sequence.items.start;
    bool two = node->type == YAML_SEQUENCE_NODE && node->data.sequence.items.top - item == 2;
    if (!two) {
        tautsim_keys_find(reader, node, "%s.%s: must be two numbers, [low, high]", where, key->name);
        return;
    }
    for (int i = 0; i < 2; i++) {
        const yaml_node_t *child = yaml_document_get_node(reader->document, item[i]);
        const char *text = scalar(child);
        const char *wrong = text ? put_number(key, text, &out[i]) : "a number";
        if (wrong)
            complain(reader, child, where, key, text ? text : "", wrong);
    }
}

void tautsim_keys_defaults(const struct taut_key *keys, void *out)
{
    for (const struct taut_key *key = keys; key->name; key++)
        if (key->fallback && *key->fallback && key->kind != TAUT_KEY_PAIR)
            put_scalar(key, key->fallback, out);
}

const yaml_node_t *tautsim_keys_child(struct tautsim_reader *reader, const yaml_node_t *node, const char *name)
{
    if (!node || node->type != YAML_MAPPING_NODE)
        return NULL;
    for (const yaml_node_pair_t *pair = node->data.mapping.pairs.start; pair < node->data.mapping.pairs.top; pair++) {
        const char *text = scalar(yaml_document_get_node(reader->document, pair->key));
        if (text && strcmp(text, name) == 0)
            return yaml_document_get_node(reader->document, pair->value);
    }
    return NULL;
}

static const struct taut_key *key_named(const struct taut_key *keys, const char *name)
{
    for (; keys->name; keys++)
        if (strcmp(keys->name, name) == 0)
            return keys;
    return NULL;
}

static void list_keys(const struct taut_key *keys, char *out, size_t size)
{
    size_t used = 0;
    out[0] = '\0';
    for (; keys->name && used + strlen(keys->name) + 3 < size; keys++)
        used += (size_t)snprintf(out + used, size - used, "%s%s", used ? ", " : "", keys->name);
}

static void read_value(struct tautsim_reader *reader, const yaml_node_t *value, const char *where, const struct taut_key *key,
                       void *out)
{
    if (key->kind == TAUT_KEY_BLOCK)
        return;
    if (key->kind == TAUT_KEY_PAIR) {
        read_pair(reader, value, where, key, (double *)((char *)out + key->offset));
        return;
    }
    const char *text = scalar(value);
    const char *wrong = text ? put_scalar(key, text, out) : "a single value";
    if (wrong)
        complain(reader, value, where, key, text ? text : "", wrong);
}

void tautsim_keys_read(struct tautsim_reader *reader, const yaml_node_t *node, const char *where, const struct taut_key *keys,
                       void *out)
{
    tautsim_keys_defaults(keys, out);
    if (node->type != YAML_MAPPING_NODE) {
        tautsim_keys_find(reader, node, "%s: must be a mapping of keys to values", where);
        return;
    }
    for (const yaml_node_pair_t *pair = node->data.mapping.pairs.start; pair < node->data.mapping.pairs.top; pair++) {
        const yaml_node_t *name = yaml_document_get_node(reader->document, pair->key);
        const yaml_node_t *value = yaml_document_get_node(reader->document, pair->value);
        const char *text = scalar(name);
        const struct taut_key *key = text ? key_named(keys, text) : NULL;
        if (!key) {
            char known[200];
            list_keys(keys, known, sizeof known);
            tautsim_keys_find(reader, name, "%s: unknown key \"%.40s\"; known are %s", where, text ? text : "", known);
        } else if (tautsim_keys_child(reader, node, text) != value) {
            tautsim_keys_find(reader, name, "%s.%s: given twice", where, text);
        } else {
            read_value(reader, value, where, key, out);
        }
    }
    for (const struct taut_key *key = keys; key->name; key++)
        if (!key->fallback && !tautsim_keys_child(reader, node, key->name))
            tautsim_keys_find(reader, node, "%s: key \"%s\" is missing (%s)", where, key->name, key->help);
}
