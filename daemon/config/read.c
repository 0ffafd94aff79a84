#include "config/read.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config/value.h"
#include "config/words.h"

enum { PATH_MAX_TEXT = 80, MESSAGE_MAX = 256 };

static const char *print_path(const struct tautd_section *section, int index, const char *key, char out[PATH_MAX_TEXT])
{
    const char *dot = key ? "." : "";
    key = key ? key : "";
    if (section->list)
        snprintf(out, PATH_MAX_TEXT, "%s[%d]%s%s", section->name, index, dot, key);
    else
        snprintf(out, PATH_MAX_TEXT, "%s%s%s", section->name, dot, key);
    return out;
}

const struct tautd_node *tautd_reader_place(const struct tautd_reader *reader, enum tautd_section_id id, int index,
                                            const char *key)
{
    const struct tautd_node *node = reader->entry[id][index].node;
    const struct tautd_node *found = node && key ? tautd_node_key(node, key) : NULL;
    return found ? found->value : node;
}

bool tautd_reader_given(const struct tautd_reader *reader, enum tautd_section_id id, int index, const char *key)
{
    const struct tautd_node *node = reader->entry[id][index].node;
    return node && tautd_node_key(node, key);
}

void tautd_reader_error(struct tautd_reader *reader, enum tautd_section_id id, int index, const char *key, const char *format,
                        ...)
{
    char text[MESSAGE_MAX], path[PATH_MAX_TEXT];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    const struct tautd_node *node = tautd_reader_place(reader, id, index, key);
    tautd_report_error(reader->report, node ? node->line : 0, node ? node->column : 0, "%s: %s",
                       print_path(tautd_schema_section(id), index, key, path), text);
    reader->entry[id][index].clean = false;
}

void tautd_reader_warning(struct tautd_reader *reader, enum tautd_section_id id, int index, const char *key, const char *format,
                          ...)
{
    char text[MESSAGE_MAX], path[PATH_MAX_TEXT];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    const struct tautd_node *node = tautd_reader_place(reader, id, index, key);
    tautd_report_warning(reader->report, node ? node->line : 0, node ? node->column : 0, "%s: %s",
                         print_path(tautd_schema_section(id), index, key, path), text);
}

/* ---- keys of one entry ---------------------------------------------------------------------------------------- */

/* The key of the section that an unknown word is nearest to, or NULL. */
static const char *nearest_key(const struct tautd_section *section, const char *word)
{
    struct tautd_nearest nearest = {.word = word};
    for (const struct taut_key *key = section->keys(NULL); key->name; key++)
        tautd_nearest_offer(&nearest, key->name);
    return nearest.found;
}

static void report_unknown(const struct tautd_reader *reader, const struct tautd_section *section, const char *path,
                           const struct tautd_node *key)
{
    char quoted[TAUTD_QUOTED_MAX], names[140];
    const char *meant = nearest_key(section, key->text);
    struct taut_text list;
    taut_text_init(&list, names, sizeof names);
    for (const struct taut_key *k = section->keys(NULL); k->name && !list.full; k++)
        taut_text_addf(&list, "%s%s", list.length ? ", " : "", k->name);
    tautd_quote(key->text, quoted);
    if (meant)
        tautd_report_error(reader->report, key->line, key->column, "%s: unknown key %s; did you mean \"%s\"?", path, quoted,
                           meant);
    else
        tautd_report_error(reader->report, key->line, key->column, "%s: unknown key %s; allowed: %s%s", path, quoted, names,
                           list.full ? ", ..." : "");
}

static bool check_keys(const struct tautd_reader *reader, const struct tautd_section *section, int index,
                       const struct tautd_node *map, const void *entry, const char *lost)
{
    bool clean = true;
    char path[PATH_MAX_TEXT], where[PATH_MAX_TEXT];
    for (const struct tautd_node *k = map->first; k; k = k->next) {
        const struct tautd_node *first = tautd_node_key(map, k->text);
        const struct taut_key *key = tautd_schema_key(section, k->text);
        if (!key) {
            report_unknown(reader, section, print_path(section, index, NULL, where), k);
            clean = false;
            continue;
        }
        print_path(section, index, key->name, path);
        const struct tautd_condition *condition = tautd_schema_condition(section, key);
        if (first != k)
            tautd_report_error(reader->report, k->line, k->column, "%s: given twice; first on line %d", path, first->line);
        else if (!(condition && lost && strcmp(lost, condition->selector) == 0) && !tautd_schema_applies(section, key, entry))
            tautd_report_error(reader->report, k->line, k->column, "%s: not for this %s; allowed only with %s: %s", path,
                               section->one, condition->selector, condition->word);
        else
            continue;
        clean = false;
    }
    return clean;
}

/* Is the key there after all, misspelt? Then it is not missing as well. */
static bool misspelt(const struct tautd_section *section, const struct taut_key *key, const struct tautd_node *map)
{
    for (const struct tautd_node *k = map->first; k; k = k->next) {
        const char *meant = tautd_schema_key(section, k->text) ? NULL : nearest_key(section, k->text);
        if (meant && strcmp(meant, key->name) == 0)
            return true;
    }
    return false;
}

static bool read_key(const struct tautd_reader *reader, const struct tautd_section *section, int index,
                     const struct taut_key *key, const struct tautd_node *map, void *entry)
{
    char path[PATH_MAX_TEXT], hint[100] = "";
    const struct tautd_node *found = map ? tautd_node_key(map, key->name) : NULL;
    struct tautd_value_problem problem;
    tautd_value_default(key, entry);
    print_path(section, index, key->name, path);
    if (!found) {
        if (key->fallback)
            return true;
        if (!misspelt(section, key, map))
            tautd_report_error(reader->report, map->line, map->column, "%s: missing; needed: %s", path, key->help);
        return false;
    }
    if (tautd_value_read(key, found->value, entry, &problem))
        return true;
    if (strcmp(key->name, "register") == 0 && found->value->kind == TAUTD_NODE_VALUE)
        tautd_value_register_hint(strtol(found->value->text, NULL, 10), hint, sizeof hint);
    tautd_report_error(reader->report, problem.line, problem.column, "%s: %s%s%s", path, problem.text, hint[0] ? "; " : "", hint);
    return false;
}

static bool selects(const struct tautd_section *section, const struct taut_key *key)
{
    for (const struct tautd_condition *c = section->conditions; c->key; c++)
        if (strcmp(c->selector, key->name) == 0)
            return true;
    return false;
}

/* Keys in the order of the table: one on which others depend stands before them. When that one is wrong, nobody
 * knows which of the others belong here, and they are let be. */
static bool read_entry(const struct tautd_reader *reader, const struct tautd_section *section, int index,
                       const struct tautd_node *map, void *entry)
{
    bool clean = true;
    const char *lost = NULL;
    for (const struct taut_key *key = section->keys(NULL); key->name; key++) {
        const struct tautd_condition *condition = tautd_schema_condition(section, key);
        if (condition && ((lost && strcmp(lost, condition->selector) == 0) || !tautd_schema_applies(section, key, entry)))
            continue;
        if (read_key(reader, section, index, key, map, entry))
            continue;
        clean = false;
        if (selects(section, key))
            lost = key->name;
    }
    return !map || (check_keys(reader, section, index, map, entry, lost) && clean);
}

/* ---- sections ------------------------------------------------------------------------------------------------- */

static bool read_mapping(struct tautd_reader *reader, enum tautd_section_id id, const struct tautd_node *node)
{
    const struct tautd_section *section = tautd_schema_section(id);
    char found[100];
    reader->entry[id] = calloc(1, sizeof *reader->entry[id]);
    if (!reader->entry[id])
        return false;
    if (node && node->kind != TAUTD_NODE_MAP) {
        tautd_report_error(reader->report, node->line, node->column, "%s: found %s; allowed: keys and values, indented below it",
                           section->name, tautd_node_describe(node, found, sizeof found));
        node = NULL;
    }
    reader->entry[id]->node = node;
    reader->entry[id]->clean = read_entry(reader, section, 0, node, tautd_schema_entry(section, reader->config, 0));
    return true;
}

static int count_entries(const struct tautd_reader *reader, const struct tautd_section *section, const struct tautd_node *node)
{
    char found[100];
    if (!node) {
        if (section->required)
            tautd_report_error(reader->report, 0, 0, "%s: missing; at least one %s is needed (%s)", section->name, section->one,
                               section->help);
        return 0;
    }
    if (node->kind != TAUTD_NODE_LIST) {
        tautd_report_error(reader->report, node->line, node->column, "%s: found %s; allowed: a list, each %s begun with \"- \"",
                           section->name, tautd_node_describe(node, found, sizeof found), section->one);
        return 0;
    }
    if (section->required && node->children == 0)
        tautd_report_error(reader->report, node->line, node->column, "%s: an empty list; at least one %s is needed",
                           section->name, section->one);
    if (node->children > section->most)
        tautd_report_error(reader->report, node->line, node->column, "%s: found %d; allowed: at most %d", section->name,
                           node->children, section->most);
    return node->children < section->most ? node->children : section->most;
}

static bool read_list(struct tautd_reader *reader, enum tautd_section_id id, const struct tautd_node *node)
{
    const struct tautd_section *section = tautd_schema_section(id);
    int count = count_entries(reader, section, node);
    void *entries = calloc((size_t)count + 1, section->entry_size); /* + 1: never a zero-sized block */
    reader->entry[id] = calloc((size_t)count + 1, sizeof *reader->entry[id]);
    memcpy((char *)reader->config + section->entries, &entries, sizeof entries);
    if (!entries || !reader->entry[id])
        return false;
    memcpy((char *)reader->config + section->count, &count, sizeof count);
    const struct tautd_node *n = node ? node->first : NULL;
    for (int i = 0; i < count; i++, n = n->next) {
        char found[100];
        reader->entry[id][i].node = n;
        if (n->kind == TAUTD_NODE_MAP)
            reader->entry[id][i].clean = read_entry(reader, section, i, n, tautd_schema_entry(section, reader->config, i));
        else
            tautd_report_error(reader->report, n->line, n->column,
                               "%s[%d]: found %s; allowed: keys and values, such as \"name: x\"", section->name, i,
                               tautd_node_describe(n, found, sizeof found));
    }
    return true;
}

static void report_unknown_section(const struct tautd_reader *reader, const struct tautd_node *key)
{
    char quoted[TAUTD_QUOTED_MAX];
    struct tautd_nearest nearest = {.word = key->text};
    for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++)
        tautd_nearest_offer(&nearest, tautd_schema_section(id)->name);
    if (nearest.found)
        tautd_report_error(reader->report, key->line, key->column, "unknown section %s; did you mean \"%s\"?",
                           tautd_quote(key->text, quoted), nearest.found);
    else
        tautd_report_error(reader->report, key->line, key->column,
                           "unknown section %s; allowed: daemon, api, lines, channels, outputs, stations, recipes",
                           tautd_quote(key->text, quoted));
}

static void check_sections(const struct tautd_reader *reader, const struct tautd_node *top)
{
    for (const struct tautd_node *k = top->first; k; k = k->next) {
        bool known = false;
        for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++)
            known = known || strcmp(tautd_schema_section(id)->name, k->text) == 0;
        const struct tautd_node *first = tautd_node_key(top, k->text);
        if (!known)
            report_unknown_section(reader, k);
        else if (first != k)
            tautd_report_error(reader->report, k->line, k->column, "%s: given twice; first on line %d", k->text, first->line);
    }
}

/* ---- names ---------------------------------------------------------------------------------------------------- */

static const char *name_of(const struct tautd_section *section, const struct tautd_config *config, int index)
{
    return (const char *)tautd_schema_entry(section, config, index) + tautd_schema_key(section, "name")->offset;
}

static void check_unique(struct tautd_reader *reader, enum tautd_section_id id)
{
    const struct tautd_section *section = tautd_schema_section(id);
    int count = tautd_schema_count(section, reader->config);
    for (int i = 1; i < count; i++)
        for (int j = 0; j < i; j++) {
            const char *name = name_of(section, reader->config, i);
            if (name[0] && strcmp(name, name_of(section, reader->config, j)) == 0) {
                tautd_reader_error(reader, id, i, "name", "\"%s\" is already the %s on line %d; each needs its own name", name,
                                   section->one, tautd_reader_place(reader, id, j, "name")->line);
                break;
            }
        }
}

static enum tautd_section_id section_of(const char *name)
{
    enum tautd_section_id id = 0;
    while (strcmp(tautd_schema_section(id)->name, name) != 0)
        id++;
    return id;
}

/* Where there is nothing to find for a reason that was reported already, no more is said. */
static bool excused(const struct tautd_section *target, const struct tautd_config *config)
{
    int count = tautd_schema_count(target, config);
    bool nameless = count == 0 && target->required;
    for (int i = 0; i < count; i++)
        nameless = nameless || !name_of(target, config, i)[0];
    return nameless;
}

static int find_name(struct tautd_reader *reader, enum tautd_section_id id, int index, const struct taut_key *key,
                     const char *wanted)
{
    const struct tautd_section *target = tautd_schema_section(section_of(key->choices));
    int count = tautd_schema_count(target, reader->config);
    struct tautd_nearest nearest = {.word = wanted};
    char names[140];
    struct taut_text list;
    taut_text_init(&list, names, sizeof names);
    for (int i = 0; i < count; i++) {
        const char *name = name_of(target, reader->config, i);
        if (strcmp(name, wanted) == 0)
            return i;
        tautd_nearest_offer(&nearest, name);
        if (name[0] && !list.full)
            taut_text_addf(&list, "%s%s", list.length ? ", " : "", name);
    }
    if (nearest.found)
        tautd_reader_error(reader, id, index, key->name, "no %s \"%s\"; did you mean \"%s\"?", target->one, wanted,
                           nearest.found);
    else if (excused(target, reader->config))
        reader->entry[id][index].clean = false;
    else if (count == 0)
        tautd_reader_error(reader, id, index, key->name, "no %s \"%s\"; there are no %s", target->one, wanted, target->name);
    else
        tautd_reader_error(reader, id, index, key->name, "no %s \"%s\"; known: %s%s", target->one, wanted, names,
                           list.full ? ", ..." : "");
    return -1;
}

static void resolve(struct tautd_reader *reader, enum tautd_section_id id)
{
    const struct tautd_section *section = tautd_schema_section(id);
    int count = tautd_schema_count(section, reader->config);
    for (int i = 0; i < count; i++)
        for (const struct tautd_link *link = section->links; link->key; link++) {
            char *entry = tautd_schema_entry(section, reader->config, i);
            const struct taut_key *key = tautd_schema_key(section, link->key);
            const char *wanted = entry + key->offset;
            int found = wanted[0] ? find_name(reader, id, i, key, wanted) : -1;
            memcpy(entry + link->offset, &found, sizeof found);
        }
}

bool tautd_reader_read(struct tautd_reader *reader, const struct tautd_node *top)
{
    check_sections(reader, top);
    for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++) {
        const struct tautd_node *key = tautd_node_key(top, tautd_schema_section(id)->name);
        const struct tautd_node *node = key ? key->value : NULL;
        if (!(tautd_schema_section(id)->list ? read_list : read_mapping)(reader, id, node)) {
            tautd_report_error(reader->report, 0, 0, "no memory");
            return false;
        }
    }
    for (enum tautd_section_id id = TAUTD_SECTION_LINES; id < TAUTD_SECTIONS; id++) {
        check_unique(reader, id);
        resolve(reader, id);
    }
    return true;
}

void tautd_reader_end(struct tautd_reader *reader)
{
    for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++)
        free(reader->entry[id]);
}
