/* The table of recipe keys: complete, consistent, defaults inside their own bounds. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/recipe.h"
#include "taut/units.h"
#include "tt_csv.h"

static const struct taut_key *key(const char *name)
{
    for (const struct taut_key *k = taut_recipe_keys(NULL); k->name; k++)
        if (strcmp(k->name, name) == 0)
            return k;
    fail_msg("no key %s", name);
    return NULL;
}

static void table_ends_after_count_rows(void **state)
{
    (void)state;
    size_t count = 0;
    const struct taut_key *keys = taut_recipe_keys(&count);
    assert_true(count > 0);
    assert_null(keys[count].name);
    for (size_t i = 0; i < count; i++)
        assert_non_null(keys[i].name);
}

static void names_are_unique_and_end_with_their_unit(void **state)
{
    (void)state;
    static const struct {
        const char *unit, *suffix;
    } suffixes[] = {
        {"mbar",     "_mbar"        },
        {"mbar/min", "_mbar_per_min"},
        {"s",        "_s"           },
        {"h",        "_h"           }
    };
    const struct taut_key *keys = taut_recipe_keys(NULL);
    for (const struct taut_key *k = keys; k->name; k++) {
        for (const struct taut_key *other = keys; other < k; other++)
            assert_string_not_equal(k->name, other->name);
        for (size_t i = 0; i < sizeof suffixes / sizeof suffixes[0]; i++) {
            if (strcmp(k->unit, suffixes[i].unit) != 0)
                continue;
            size_t n = strlen(k->name), m = strlen(suffixes[i].suffix);
            assert_true(n > m);
            assert_string_equal(k->name + n - m, suffixes[i].suffix);
        }
        assert_true(strlen(k->help) > 0 && k->help[strlen(k->help) - 1] != '.');
    }
}

static void fields_lie_in_the_struct_and_do_not_overlap(void **state)
{
    (void)state;
    const struct taut_key *keys = taut_recipe_keys(NULL);
    char used[sizeof(struct taut_recipe)] = {0};
    for (const struct taut_key *k = keys; k->name; k++) {
        size_t size = k->kind == TAUT_KEY_NUMBER ? sizeof(double) : k->kind == TAUT_KEY_CHOICE ? sizeof(int) : TAUT_NAME_MAX;
        assert_int_equal(k->size, size);
        assert_true(k->offset + k->size <= sizeof(struct taut_recipe));
        for (size_t i = k->offset; i < k->offset + k->size; i++)
            assert_int_equal(used[i]++, 0);
    }
    size_t covered = 0;
    for (size_t i = 0; i < sizeof used; i++)
        covered += (size_t)used[i];
    assert_true(sizeof used - covered < sizeof(double)); /* padding only: no field without a key */
}

static void defaults_are_within_their_bounds(void **state)
{
    (void)state;
    for (const struct taut_key *k = taut_recipe_keys(NULL); k->name; k++) {
        if (k->kind != TAUT_KEY_NUMBER || !k->fallback || !k->fallback[0])
            continue;
        char *end;
        double v = strtod(k->fallback, &end);
        assert_int_equal(*end, '\0');
        assert_true(v >= k->least && v <= k->most);
    }
    assert_string_equal(key("mode")->choices, "fixed|early");
    assert_string_equal(key("mode")->fallback, "early");
}

/* The limit belongs to the part; none may be assumed. */
static void no_limit_is_assumed(void **state)
{
    (void)state;
    static const char *const limits[] = {"limit_mbar_per_min", "rise_limit_mbar", "rise_within_s"};
    for (size_t i = 0; i < 3; i++)
        assert_string_equal(key(limits[i])->fallback, "");
}

static void factors_turn_the_files_unit_into_si(void **state)
{
    (void)state;
    tt_near(0.5 * key("limit_mbar_per_min")->to_si, 0.5 * 100 / 60, 1e-15, "0.5 mbar/min in Pa/s");
    tt_near(10 * key("drawdown_below_mbar")->to_si, 1000, 1e-15, "10 mbar in Pa");
    tt_near(key("fill_false_alarm_h")->to_si, 1, 1e-15, "hours stay hours");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(table_ends_after_count_rows),
        cmocka_unit_test(names_are_unique_and_end_with_their_unit),
        cmocka_unit_test(fields_lie_in_the_struct_and_do_not_overlap),
        cmocka_unit_test(defaults_are_within_their_bounds),
        cmocka_unit_test(no_limit_is_assumed),
        cmocka_unit_test(factors_turn_the_files_unit_into_si),
    };
    return cmocka_run_group_tests_name("recipe", tests, NULL, NULL);
}
