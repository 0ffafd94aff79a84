/* Words for quality, reason and role; rounding to the trace's resolution. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/sample.h"
#include "tt_csv.h"

static void every_reason_word_reads_back(void **state)
{
    (void)state;
    for (int i = 0; i < TAUT_REASONS; i++) {
        const char *word = taut_reason_text((enum taut_reason)i);
        enum taut_reason back = TAUT_REASONS;
        assert_non_null(word);
        assert_int_equal(taut_reason_parse(word, &back), TAUT_OK);
        assert_int_equal(back, i);
    }
}

static void unknown_reason_word_leaves_output_untouched(void **state)
{
    (void)state;
    enum taut_reason out = TAUT_REASON_STALE;
    assert_int_equal(taut_reason_parse("tired", &out), TAUT_E_NOENT);
    assert_int_equal(out, TAUT_REASON_STALE);
}

static void words_are_those_of_the_files(void **state)
{
    (void)state;
    assert_string_equal(taut_quality_text(TAUT_QUALITY_GOOD), "good");
    assert_string_equal(taut_quality_text(TAUT_QUALITY_UNCERTAIN), "uncertain");
    assert_string_equal(taut_quality_text(TAUT_QUALITY_BAD), "bad");
    assert_string_equal(taut_reason_text(TAUT_REASON_NO_AMBIENT), "no-ambient");
    static const char *const roles[TAUT_ROLES] = {"vent", "far", "feed", "manifold", "ambient", "temperature"};
    for (int i = 0; i < TAUT_ROLES; i++)
        assert_string_equal(taut_role_text((enum taut_role)i), roles[i]);
}

static void pressures_round_to_a_tenth_of_a_pascal(void **state)
{
    (void)state;
    assert_true(taut_sample_round_pa(1013.2512) == 1013.3);
    assert_true(taut_sample_round_pa(-0.04) == 0.0);
    assert_true(isnan(taut_sample_round_pa((double)NAN)));
}

static void only_present_good_values_count_as_good(void **state)
{
    (void)state;
    struct taut_sweep sweep = {.present = 1u << TAUT_ROLE_VENT | 1u << TAUT_ROLE_FAR};
    sweep.sample[TAUT_ROLE_VENT].quality = TAUT_QUALITY_GOOD;
    sweep.sample[TAUT_ROLE_FAR].quality = TAUT_QUALITY_UNCERTAIN;
    sweep.sample[TAUT_ROLE_FEED].quality = TAUT_QUALITY_GOOD;
    assert_true(taut_sweep_good(&sweep, TAUT_ROLE_VENT));
    assert_false(taut_sweep_good(&sweep, TAUT_ROLE_FAR));
    assert_false(taut_sweep_good(&sweep, TAUT_ROLE_FEED));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_reason_word_reads_back),           cmocka_unit_test(unknown_reason_word_leaves_output_untouched),
        cmocka_unit_test(words_are_those_of_the_files),           cmocka_unit_test(pressures_round_to_a_tenth_of_a_pascal),
        cmocka_unit_test(only_present_good_values_count_as_good),
    };
    return cmocka_run_group_tests_name("sample", tests, NULL, NULL);
}
