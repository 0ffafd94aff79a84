#include "config/value.h"

#include <assert.h>
#include <ctype.h>
#include <limits.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "config/schema.h"
#include "config/words.h"

static bool refuse(struct tautd_value_problem *problem, const struct tautd_node *node, const char *format, ...) TAUT_PRINTF(3, 4);

static bool refuse(struct tautd_value_problem *problem, const struct tautd_node *node, const char *format, ...)
{
    problem->line = node->line;
    problem->column = node->column;
    va_list args;
    va_start(args, format);
    vsnprintf(problem->text, sizeof problem->text, format, args);
    va_end(args);
    return false;
}

/* ---- what is allowed ------------------------------------------------------------------------------------------ */

static bool bounded(const struct taut_key *key)
{
    return key->least != 0 || key->most != 0;
}

static void add_choices(const char *choices, struct taut_text *out)
{
    char word[32];
    for (int i = 0; *tautd_schema_word(choices, i, word, sizeof word); i++)
        taut_text_addf(out, "%s%s", i ? ", " : "", word);
}

static void add_bounds(const struct taut_key *key, struct taut_text *out)
{
    taut_text_addf(out, "%.7g to %.7g%s%s", key->least, key->most, key->unit[0] ? " " : "", key->unit);
}

void tautd_value_allowed(const struct taut_key *key, struct taut_text *out)
{
    switch (key->kind) {
    case TAUT_KEY_NUMBER:
        if (bounded(key))
            add_bounds(key, out);
        else
            taut_text_addf(out, "a number%s%s", key->unit[0] ? ", in " : "", key->unit);
        break;
    case TAUT_KEY_WHOLE:
        taut_text_add(out, "a whole number, ");
        add_bounds(key, out);
        break;
    case TAUT_KEY_PAIR:
        taut_text_add(out, "[low, high]");
        if (bounded(key) && key->most < 1e9) {
            taut_text_add(out, ", ");
            add_bounds(key, out);
        }
        break;
    case TAUT_KEY_CHOICE:
        taut_text_add(out, "one of ");
        add_choices(key->choices, out);
        break;
    case TAUT_KEY_FLAG:
        taut_text_add(out, "yes or no");
        break;
    case TAUT_KEY_NAME:
        taut_text_addf(out, "letters, digits, . _ -, at most %zu", key->size - 1);
        break;
    case TAUT_KEY_REFER:
        taut_text_addf(out, "a name from %s", key->choices);
        break;
    case TAUT_KEY_TEXT:
        taut_text_add(out, "text");
        break;
    case TAUT_KEY_BLOCK:
        break;
    }
}

static const char *allowed(const struct taut_key *key, char *out, size_t size)
{
    struct taut_text text;
    taut_text_init(&text, out, size);
    tautd_value_allowed(key, &text);
    return out;
}

const char *tautd_value_register_hint(long number, char *out, unsigned long size)
{
    static const struct {
        long first, last;
        const char *table;
    } ranges[] = {
        {30001,  39999,  "input"  },
        {40001,  49999,  "holding"},
        {300001, 365536, "input"  },
        {400001, 465536, "holding"}
    };
    out[0] = '\0';
    for (size_t i = 0; i < sizeof ranges / sizeof ranges[0]; i++)
        if (number >= ranges[i].first && number <= ranges[i].last)
            snprintf(out, size, "a manual's %ld is table: %s, register: %ld", number, ranges[i].table, number - ranges[i].first);
    return out;
}

/* ---- text to field -------------------------------------------------------------------------------------------- */

/* Length of the decimal number at the start of `s`, 0 when there is none. strtod alone would take "nan" and "0x1p3". */
static size_t number_length(const char *s)
{
    const char *p = s;
    p += *p == '+' || *p == '-';
    size_t before = strspn(p, "0123456789"), after = 0;
    p += before;
    if (*p == '.') {
        after = strspn(p + 1, "0123456789");
        p += 1 + after;
    }
    if (before + after == 0)
        return 0;
    if (*p == 'e' || *p == 'E') {
        const char *exponent = p + 1;
        exponent += *exponent == '+' || *exponent == '-';
        size_t digits = strspn(exponent, "0123456789");
        if (digits)
            p = exponent + digits;
    }
    return (size_t)(p - s);
}

static bool not_a_number(const struct taut_key *key, const struct tautd_node *node, struct tautd_value_problem *problem)
{
    char quoted[TAUTD_QUOTED_MAX], words[120];
    const char *text = node->text;
    size_t n = number_length(text);
    tautd_quote(text, quoted);
    if (!text[0])
        return refuse(problem, node, "found nothing; allowed: %s", allowed(key, words, sizeof words));
    if (n && text[n] == ',' && strspn(text + n + 1, "0123456789") == strlen(text + n + 1) && text[n + 1])
        return refuse(problem, node, "found %s; write a decimal point: %.*s.%s", quoted, (int)n, text, text + n + 1);
    if (n && key->unit[0] && text[n] != '.' && !isdigit((unsigned char)text[n + 1]))
        return refuse(problem, node, "found %s; write the number alone, its unit is %s", quoted, key->unit);
    return refuse(problem, node, "found %s; allowed: %s", quoted, allowed(key, words, sizeof words));
}

static bool read_number(const struct taut_key *key, const struct tautd_node *node, double *out,
                        struct tautd_value_problem *problem)
{
    char words[120], quoted[TAUTD_QUOTED_MAX];
    if (node->kind != TAUTD_NODE_VALUE)
        return refuse(problem, node, "found %s; allowed: %s", tautd_node_describe(node, quoted, sizeof quoted),
                      allowed(key, words, sizeof words));
    size_t n = number_length(node->text);
    if (n == 0 || node->text[n])
        return not_a_number(key, node, problem);
    double value = strtod(node->text, NULL);
    if (!isfinite(value) || (bounded(key) && (value < key->least || value > key->most)))
        return refuse(problem, node, "found %s; allowed: %s", tautd_quote(node->text, quoted), allowed(key, words, sizeof words));
    *out = value;
    return true;
}

static bool read_whole(const struct taut_key *key, const struct tautd_node *node, void *field,
                       struct tautd_value_problem *problem)
{
    double value;
    if (!read_number(key, node, &value, problem))
        return false;
    char quoted[TAUTD_QUOTED_MAX], words[120];
    const char *digits = node->text + (node->text[0] == '+' || node->text[0] == '-');
    if (digits[strspn(digits, "0123456789")] || value < INT_MIN || value > INT_MAX)
        return refuse(problem, node, "found %s; allowed: %s", tautd_quote(node->text, quoted), allowed(key, words, sizeof words));
    int whole = (int)value;
    memcpy(field, &whole, sizeof whole);
    return true;
}

static bool read_pair(const struct taut_key *key, const struct tautd_node *node, void *field, struct tautd_value_problem *problem)
{
    char found[100];
    if (node->kind != TAUTD_NODE_LIST || node->children != 2)
        return refuse(problem, node, "found %s; write two numbers: [low, high]", tautd_node_describe(node, found, sizeof found));
    struct taut_key one = *key;
    one.kind = TAUT_KEY_NUMBER;
    double pair[2];
    if (!read_number(&one, node->first, &pair[0], problem) || !read_number(&one, node->last, &pair[1], problem))
        return false;
    if (pair[0] >= pair[1])
        return refuse(problem, node, "found [%.10g, %.10g]; the first must be the lower", pair[0], pair[1]);
    pair[0] *= key->to_si;
    pair[1] *= key->to_si;
    memcpy(field, pair, sizeof pair);
    return true;
}

static bool read_choice(const struct taut_key *key, const struct tautd_node *node, void *field,
                        struct tautd_value_problem *problem)
{
    char quoted[TAUTD_QUOTED_MAX], words[160], word[32];
    struct tautd_nearest nearest = {.word = node->text};
    char near_word[32] = "";
    for (int i = 0; *tautd_schema_word(key->choices, i, word, sizeof word); i++) {
        if (strcmp(word, node->text) == 0) {
            memcpy(field, &i, sizeof i);
            return true;
        }
        const char *before = nearest.found;
        int distance = nearest.distance;
        tautd_nearest_offer(&nearest, word);
        if (nearest.found && (!before || nearest.distance < distance))
            memcpy(near_word, word, sizeof near_word);
    }
    return refuse(problem, node, "found %s; allowed: %s%s%s%s", tautd_quote(node->text, quoted),
                  allowed(key, words, sizeof words), near_word[0] ? "; did you mean \"" : "", near_word,
                  near_word[0] ? "\"?" : "");
}

static bool read_flag(const struct tautd_node *node, void *field, struct tautd_value_problem *problem)
{
    char quoted[TAUTD_QUOTED_MAX];
    bool yes = strcmp(node->text, "yes") == 0;
    if (!yes && strcmp(node->text, "no") != 0)
        return refuse(problem, node, "found %s; allowed: yes or no", tautd_quote(node->text, quoted));
    memcpy(field, &yes, sizeof yes);
    return true;
}

static bool check_name(const struct taut_key *key, const struct tautd_node *node, struct tautd_value_problem *problem)
{
    static const char letters[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-";
    char quoted[TAUTD_QUOTED_MAX], words[80];
    if (node->text[strspn(node->text, letters)])
        return refuse(problem, node, "found %s; allowed: %s", tautd_quote(node->text, quoted), allowed(key, words, sizeof words));
    if (!isalnum((unsigned char)node->text[0]))
        return refuse(problem, node, "found %s; a name begins with a letter or digit", tautd_quote(node->text, quoted));
    return true;
}

static bool read_text(const struct taut_key *key, const struct tautd_node *node, char *field, struct tautd_value_problem *problem)
{
    char quoted[TAUTD_QUOTED_MAX];
    size_t n = strlen(node->text);
    if (n == 0)
        return refuse(problem, node, "found nothing; write a value, or leave the key out if it is not required");
    if (n >= key->size)
        return refuse(problem, node, "found %zu bytes; at most %zu are allowed", n, key->size - 1);
    for (const char *p = node->text; *p; p++)
        if ((unsigned char)*p < 0x20 || *p == 0x7F)
            return refuse(problem, node, "found %s with a line break or control character; one line of text is allowed",
                          tautd_quote(node->text, quoted));
    if (key->kind == TAUT_KEY_NAME && !check_name(key, node, problem))
        return false;
    memset(field, 0, key->size);
    memcpy(field, node->text, n);
    return true;
}

bool tautd_value_read(const struct taut_key *key, const struct tautd_node *node, void *entry, struct tautd_value_problem *problem)
{
    char *field = (char *)entry + key->offset;
    double number;
    if (key->kind == TAUT_KEY_PAIR)
        return read_pair(key, node, field, problem);
    if (key->kind == TAUT_KEY_NUMBER) {
        if (!read_number(key, node, &number, problem))
            return false;
        number *= key->to_si;
        memcpy(field, &number, sizeof number);
        return true;
    }
    if (key->kind == TAUT_KEY_WHOLE)
        return read_whole(key, node, field, problem);
    char words[160];
    if (node->kind != TAUTD_NODE_VALUE)
        return refuse(problem, node, "found a %s; allowed: %s", node->kind == TAUTD_NODE_LIST ? "list" : "mapping",
                      allowed(key, words, sizeof words));
    if (key->kind == TAUT_KEY_CHOICE)
        return read_choice(key, node, field, problem);
    if (key->kind == TAUT_KEY_FLAG)
        return read_flag(node, field, problem);
    assert(key->kind != TAUT_KEY_BLOCK);
    return read_text(key, node, field, problem);
}

void tautd_value_default(const struct taut_key *key, void *entry)
{
    char *field = (char *)entry + key->offset;
    if (key->fallback && key->fallback[0]) {
        char text[TAUTD_PATH_MAX];
        snprintf(text, sizeof text, "%s", key->fallback);
        struct tautd_node node = {.kind = TAUTD_NODE_VALUE, .text = text};
        struct tautd_value_problem problem;
        bool good = tautd_value_read(key, &node, entry, &problem);
        assert(good); /* a test reads every default */
        (void)good;
        return;
    }
    memset(field, 0, key->size);
    for (size_t at = 0; (key->kind == TAUT_KEY_NUMBER || key->kind == TAUT_KEY_PAIR) && at < key->size; at += sizeof(double)) {
        double unset = NAN;
        memcpy(field + at, &unset, sizeof unset);
    }
}

/* ---- field to text -------------------------------------------------------------------------------------------- */

static bool print_exact(double file_value, double si, double to_si, struct taut_text *out)
{
    char text[40];
    double size = fabs(file_value);
    int fewest = size >= 1 && size < 1e15 ? 1 + (int)floor(log10(size)) : 1; /* 10, not 1e+01 */
    for (int digits = fewest; digits <= 17; digits++) {
        snprintf(text, sizeof text, "%.*g", digits, file_value);
        if (strtod(text, NULL) * to_si == si) {
            taut_text_add(out, text);
            return true;
        }
    }
    return false;
}

/* The shortest decimal that comes back to the same bits. Dividing may miss the number that was written by a last
 * place; then one of its neighbours is it. */
static void print_number(double si, double to_si, struct taut_text *out)
{
    double near_value = si / to_si;
    if (print_exact(near_value, si, to_si, out) || print_exact(nextafter(near_value, INFINITY), si, to_si, out) ||
        print_exact(nextafter(near_value, -INFINITY), si, to_si, out))
        return;
    taut_text_addf(out, "%.17g", near_value);
}

/* Plain where YAML surely takes it as one word, else in double quotes. */
static void print_text(const char *value, struct taut_text *out)
{
    static const char plain[] = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._/-";
    if (!value[strspn(value, plain)] && (isalnum((unsigned char)value[0]) || value[0] == '/')) {
        taut_text_add(out, value);
        return;
    }
    taut_text_add_char(out, '"');
    for (const char *p = value; *p; p++) {
        if (*p == '"' || *p == '\\')
            taut_text_add_char(out, '\\');
        taut_text_add_char(out, *p);
    }
    taut_text_add_char(out, '"');
}

bool tautd_value_print(const struct taut_key *key, const void *entry, struct taut_text *out)
{
    const char *field = (const char *)entry + key->offset;
    double pair[2];
    int whole;
    bool flag;
    char word[32];
    switch (key->kind) {
    case TAUT_KEY_NUMBER:
        memcpy(pair, field, sizeof pair[0]);
        if (!isfinite(pair[0]))
            return false;
        print_number(pair[0], key->to_si, out);
        return true;
    case TAUT_KEY_PAIR:
        memcpy(pair, field, sizeof pair);
        if (!isfinite(pair[0]) || !isfinite(pair[1]))
            return false;
        taut_text_add_char(out, '[');
        print_number(pair[0], key->to_si, out);
        taut_text_add(out, ", ");
        print_number(pair[1], key->to_si, out);
        taut_text_add_char(out, ']');
        return true;
    case TAUT_KEY_WHOLE:
        memcpy(&whole, field, sizeof whole);
        taut_text_addf(out, "%d", whole);
        return true;
    case TAUT_KEY_CHOICE:
        memcpy(&whole, field, sizeof whole);
        taut_text_add(out, tautd_schema_word(key->choices, whole, word, sizeof word));
        return true;
    case TAUT_KEY_FLAG:
        memcpy(&flag, field, sizeof flag);
        taut_text_add(out, flag ? "yes" : "no");
        return true;
    case TAUT_KEY_TEXT:
    case TAUT_KEY_NAME:
    case TAUT_KEY_REFER:
        if (!field[0])
            return false;
        print_text(field, out);
        return true;
    case TAUT_KEY_BLOCK:
        break;
    }
    return false;
}
