#include "keys.h"

#include <stdbool.h>
#include <string.h>

#include "config/value.h"
#include "config/words.h"

const struct tautd_node *tautsim_keys_child(const struct tautd_node *map, const char *key)
{
    const struct tautd_node *found = tautd_node_key(map, key);
    return found ? found->value : NULL;
}

static const struct taut_key *key_named(const struct taut_key *keys, const char *name)
{
    for (; keys->name; keys++)
        if (strcmp(keys->name, name) == 0)
            return keys;
    return NULL;
}

static const char *nearest_key(const struct taut_key *keys, const char *word)
{
    struct tautd_nearest nearest = {.word = word};
    for (; keys->name; keys++)
        tautd_nearest_offer(&nearest, keys->name);
    return nearest.found;
}

static void unknown_key(const struct tautd_report *report, const struct tautd_node *key, const char *prefix,
                        const struct taut_key *keys)
{
    char quoted[TAUTD_QUOTED_MAX], storage[400];
    const char *meant = nearest_key(keys, key->text);
    struct taut_text known;
    taut_text_init(&known, storage, sizeof storage);
    for (const struct taut_key *k = keys; k->name && !meant; k++)
        taut_text_addf(&known, "%s%s", known.length ? ", " : "", k->name);
    if (meant)
        taut_text_addf(&known, "did you mean \"%s\"?", meant);
    tautd_report_error(report, key->line, key->column, "%sno key %s; %s%s", prefix, tautd_quote(key->text, quoted),
                       meant ? "" : "there are ", storage);
}

static void read_value(const struct tautd_report *report, const struct tautd_node *node, const char *prefix,
                       const struct taut_key *key, void *out)
{
    struct tautd_value_problem problem;
    if (key->kind != TAUT_KEY_BLOCK && !tautd_value_read(key, node, out, &problem))
        tautd_report_error(report, problem.line, problem.column, "%s%s: %s", prefix, key->name, problem.text);
}

/* Is the key there after all, misspelt? Then it is not missing as well. */
static bool misspelt(const struct taut_key *keys, const struct taut_key *key, const struct tautd_node *map)
{
    for (const struct tautd_node *k = map->first; k; k = k->next) {
        const char *meant = key_named(keys, k->text) ? NULL : nearest_key(keys, k->text);
        if (meant && strcmp(meant, key->name) == 0)
            return true;
    }
    return false;
}

void tautsim_keys_read(const struct tautd_report *report, const struct tautd_node *node, const char *where,
                       const struct taut_key *keys, void *out)
{
    char prefix[80] = "", found[100];
    struct taut_text text;
    taut_text_init(&text, prefix, sizeof prefix);
    taut_text_addf(&text, *where ? "%s." : "%s", where);
    for (const struct taut_key *key = keys; key->name; key++)
        if (key->kind != TAUT_KEY_BLOCK)
            tautd_value_default(key, out);
    if (!node)
        return;
    if (node->kind != TAUTD_NODE_MAP) {
        tautd_report_error(report, node->line, node->column, "%s: found %s; allowed: keys and values", where,
                           tautd_node_describe(node, found, sizeof found));
        return;
    }
    for (const struct tautd_node *k = node->first; k; k = k->next) {
        const struct taut_key *key = key_named(keys, k->text);
        if (!key)
            unknown_key(report, k, prefix, keys);
        else if (tautd_node_key(node, k->text) != k)
            tautd_report_error(report, k->line, k->column, "%s%s: given twice", prefix, k->text);
        else
            read_value(report, k->value, prefix, key, out);
    }
    for (const struct taut_key *key = keys; key->name; key++)
        if (!key->fallback && !tautd_node_key(node, key->name) && !misspelt(keys, key, node))
            tautd_report_error(report, node->line, node->column, "%s%s: missing; needed: %s", prefix, key->name, key->help);
}
