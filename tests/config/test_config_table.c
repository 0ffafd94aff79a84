/* The table of keys, and what is made from it: defaults, the commented example, the manual's key reference. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <ctype.h>

#include "config/schema.h"
#include "config/value.h"
#include "config/words.h"
#include "support.h"
#include "tt_csv.h"

static char *printed_by(void (*print)(FILE *out))
{
    char *text = NULL;
    size_t size;
    FILE *out = open_memstream(&text, &size);
    print(out);
    fclose(out);
    return text;
}

static void each(void (*check)(const struct tautd_section *section, const struct taut_key *key))
{
    for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++) {
        const struct tautd_section *section = tautd_schema_section(id);
        for (const struct taut_key *key = section->keys(NULL); key->name; key++)
            check(section, key);
    }
}

static void check_default(const struct tautd_section *section, const struct taut_key *key)
{
    (void)section;
    static _Alignas(16) char entry[sizeof(struct tautd_config) + sizeof(struct tautd_channel_config)];
    struct tautd_value_problem problem;
    if (!key->fallback || !key->fallback[0])
        return;
    char text[TAUTD_PATH_MAX];
    snprintf(text, sizeof text, "%s", key->fallback);
    struct tautd_node node = {.kind = TAUTD_NODE_VALUE, .text = text};
    if (!tautd_value_read(key, &node, entry, &problem))
        fail_msg("default of %s: %s", key->name, problem.text);
}

static void every_default_is_allowed(void **state)
{
    (void)state;
    each(check_default);
}

static void check_help(const struct tautd_section *section, const struct taut_key *key)
{
    size_t n = key->help ? strlen(key->help) : 0;
    if (n < 5 || n > 160 || key->help[n - 1] == '.')
        fail_msg("%s.%s: help is one phrase of 5 to 160 bytes without a full stop", section->name, key->name);
    if (!key->unit || key->to_si <= 0)
        fail_msg("%s.%s: no unit text or factor", section->name, key->name);
    /* a unit in the name is the unit in the file */
    if (strstr(key->name, "_mbar") && strncmp(key->unit, "mbar", 4) != 0)
        fail_msg("%s.%s: unit is %s", section->name, key->name, key->unit);
}

static void every_key_has_help_and_its_unit(void **state)
{
    (void)state;
    each(check_help);
}

static void check_size(const struct tautd_section *section, const struct taut_key *key)
{
    static const size_t sizes[] = {[TAUT_KEY_NUMBER] = sizeof(double),
                                   [TAUT_KEY_WHOLE] = sizeof(int),
                                   [TAUT_KEY_CHOICE] = sizeof(int),
                                   [TAUT_KEY_FLAG] = sizeof(bool),
                                   [TAUT_KEY_PAIR] = 2 * sizeof(double)};
    size_t end = section->list ? section->entry_size : sizeof(struct tautd_config);
    if (key->kind < sizeof sizes / sizeof sizes[0] && sizes[key->kind] && sizes[key->kind] != key->size)
        fail_msg("%s.%s: field of %zu bytes", section->name, key->name, key->size);
    if (key->offset + key->size > end)
        fail_msg("%s.%s: field outside the entry", section->name, key->name);
    for (const struct taut_key *other = section->keys(NULL); other < key; other++)
        if (strcmp(other->name, key->name) == 0)
            fail_msg("%s.%s: twice in the table", section->name, key->name);
}

static void every_key_fits_its_field(void **state)
{
    (void)state;
    each(check_size);
}

static void check_condition(const struct tautd_section *section, const struct taut_key *key)
{
    const struct tautd_condition *condition = tautd_schema_condition(section, key);
    if (!condition)
        return;
    const struct taut_key *selector = tautd_schema_key(section, condition->selector);
    char word[32];
    bool known = false;
    if (!selector || selector > key || selector->kind != TAUT_KEY_CHOICE)
        fail_msg("%s.%s: its selector must be a choice that stands before it", section->name, key->name);
    for (int i = 0; *tautd_schema_word(selector->choices, i, word, sizeof word); i++)
        known = known || strcmp(word, condition->word) == 0;
    if (!known)
        fail_msg("%s.%s: %s is not one of %s", section->name, key->name, condition->word, selector->choices);
}

static void every_condition_names_a_choice_before_it(void **state)
{
    (void)state;
    each(check_condition);
}

static void check_reference(const struct tautd_section *section, const struct taut_key *key)
{
    if (key->kind != TAUT_KEY_REFER)
        return;
    bool linked = false, known = false;
    for (const struct tautd_link *link = section->links; link->key; link++)
        linked = linked || strcmp(link->key, key->name) == 0;
    for (enum tautd_section_id id = 0; id < TAUTD_SECTIONS; id++)
        known = known || strcmp(tautd_schema_section(id)->name, key->choices) == 0;
    if (!linked || !known)
        fail_msg("%s.%s: no section or no place for the index", section->name, key->name);
}

static void every_reference_has_a_section_and_a_place(void **state)
{
    (void)state;
    each(check_reference);
}

static void the_commented_example_is_the_one_in_the_folder(void **state)
{
    (void)state;
    char *table = printed_by(tautd_config_print_example), *file = read_file(TAUT_SOURCE "/config/taut.yaml", NULL);
    if (strcmp(table, file) != 0)
        fail_msg("config/taut.yaml is not what the table says; renew it: config_text example > config/taut.yaml");
    free(table);
    free(file);
}

static char *example;

static void check_shown(const struct tautd_section *section, const struct taut_key *key)
{
    char set[80], unset[80], first[80], heading[40];
    snprintf(heading, sizeof heading, "\n%s:\n", section->name);
    snprintf(set, sizeof set, "\n%s%s: ", section->list ? "    " : "  ", key->name);
    snprintf(unset, sizeof unset, "\n%s#%s: ", section->list ? "    " : "  ", key->name);
    snprintf(first, sizeof first, "\n  - %s: ", key->name);
    const char *from = strstr(example, heading);
    assert_non_null(from);
    if (!strstr(from, set) && !strstr(from, unset) && !strstr(from, first))
        fail_msg("%s.%s is not in the example", section->name, key->name);
    const char *found = strstr(from, unset) ? strstr(from, unset) : strstr(from, set) ? strstr(from, set) : strstr(from, first);
    const char *value = strchr(found, ':') + 2;
    if (*value == '\n' || strncmp(value, "(null)", 6) == 0)
        fail_msg("%s.%s: the example shows no value", section->name, key->name);
}

static void the_commented_example_has_every_key_with_a_value(void **state)
{
    (void)state;
    example = printed_by(tautd_config_print_example);
    each(check_shown);
    free(example);
}

static void the_manual_has_the_reference_of_the_table(void **state)
{
    (void)state;
    char *manual = read_file(TAUT_SOURCE "/daemon/man/taut.yaml.5", NULL);
    char *begin = strstr(manual, ".\\\" keys: begin"), *end = strstr(manual, ".\\\" keys: end");
    assert_non_null(begin);
    assert_non_null(end);
    begin = strchr(begin, '\n') + 1;
    *end = '\0';
    char *table = printed_by(tautd_config_print_reference);
    if (strcmp(table, begin) != 0)
        fail_msg("daemon/man/taut.yaml.5 is not what the table says; renew it: config_text manual daemon/man/taut.yaml.5");
    free(table);
    free(manual);
}

/* The load that is reported for one channel read every 5 ms, in per cent of the time on the wire. */
static double reported_load(int baud)
{
    static struct tautd_findings findings;
    char text[700];
    snprintf(text, sizeof text,
             "lines: [{name: l, kind: rtu, device: /dev/ttyX, baud: %d, parity: even}]\n"
             "channels: [{name: c, line: l, unit: 1, table: input, register: 0, type: float32, reference: absolute, "
             "range: [0, 1], u_mbar: 1, period_s: 0.005}]\n"
             "stations: [{name: s, vent: c}]\nrecipes: [{name: r, limit_mbar_per_min: 1}]\n",
             baud);
    tautd_config_free(tautd_config_parse("x", text, strlen(text), &findings));
    const char *says = findings.count ? strstr(findings.finding[0].text, "need ") : NULL;
    assert_non_null(says);
    return strtod(says + 5, NULL);
}

/* Source: Modbus over Serial Line V1.02, character and silence times (modbus_rtu_timing.csv). A question has 8
 * characters, an answer with one float32 has 9, and after each there are 3.5 characters of silence. */
static void the_load_of_a_line_follows_the_published_times(void **state)
{
    (void)state;
    struct tt_csv table;
    int checked = 0;
    tt_csv_open(&table, "modbus_rtu_timing.csv");
    while (tt_csv_next(&table)) {
        int baud = (int)tt_csv_number(&table, "baud");
        double s = (17 * tt_csv_number(&table, "char_time_us_11bit") + 2 * tt_csv_number(&table, "t3_5_us")) * 1e-6;
        if (baud == 14400) /* a speed that the serial layer does not know */
            continue;
        double expected = 100 * s / 0.005;
        if (expected <= 101)
            continue;
        assert_true(fabs(reported_load(baud) - expected) <= 0.5); /* printed in whole per cent */
        checked++;
    }
    tt_csv_close(&table);
    assert_true(checked >= 4);
}

static void a_slip_of_the_pen_is_recognised(void **state)
{
    (void)state;
    static const struct {
        const char *word, *candidate;
        bool near_enough;
    } cases[] = {
        {"B.vnt",      "B.vent",      true },
        {"B.vetn",     "B.vent",      true },
        {"b.VENT",     "B.vent",      true },
        {"kidn",       "kind",        true },
        {"bauds",      "baud",        true },
        {"temprature", "temperature", true },
        {"x",          "a",           false},
        {"colour",     "mode",        false},
        {"",           "name",        false},
        {"valve",      "volume_l",    false}
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct tautd_nearest nearest = {.word = cases[i].word};
        tautd_nearest_offer(&nearest, cases[i].candidate);
        if ((nearest.found != NULL) != cases[i].near_enough)
            fail_msg("%s and %s", cases[i].word, cases[i].candidate);
    }
}

static void the_nearest_of_several_is_offered(void **state)
{
    (void)state;
    struct tautd_nearest nearest = {.word = "A.vemt"};
    tautd_nearest_offer(&nearest, "B.vent");
    tautd_nearest_offer(&nearest, "A.vent");
    tautd_nearest_offer(&nearest, "A.feed");
    assert_string_equal(nearest.found, "A.vent");
}

static void a_long_text_is_quoted_short_and_never_inside_a_character(void **state)
{
    (void)state;
    char text[200], out[TAUTD_QUOTED_MAX];
    for (size_t pad = 0; pad < 4; pad++) {
        memset(text, 'a', pad);
        text[pad] = '\0';
        for (int i = 0; i < 40; i++)
            strcat(text, "\xE2\x82\xAC"); /* euro sign, three bytes */
        tautd_quote(text, out);
        size_t n = strlen(out);
        assert_string_equal(out + n - 4, "...\"");
        assert_int_equal((n - 5 - pad) % 3, 0);
    }
    assert_string_equal(tautd_quote("a\tb\n", out), "\"a?b?\"");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_default_is_allowed),
        cmocka_unit_test(every_key_has_help_and_its_unit),
        cmocka_unit_test(every_key_fits_its_field),
        cmocka_unit_test(every_condition_names_a_choice_before_it),
        cmocka_unit_test(every_reference_has_a_section_and_a_place),
        cmocka_unit_test(the_commented_example_is_the_one_in_the_folder),
        cmocka_unit_test(the_commented_example_has_every_key_with_a_value),
        cmocka_unit_test(the_manual_has_the_reference_of_the_table),
        cmocka_unit_test(the_load_of_a_line_follows_the_published_times),
        cmocka_unit_test(a_slip_of_the_pen_is_recognised),
        cmocka_unit_test(the_nearest_of_several_is_offered),
        cmocka_unit_test(a_long_text_is_quoted_short_and_never_inside_a_character),
    };
    return cmocka_run_group_tests_name("config table", tests, NULL, NULL);
}
