/* The drop test as a state machine: verdicts, reasons, refusals.  Error rates are proved in tests/stat. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tt_bag.h"

static void init_of_a_rule_out_of_range_leaves_the_test_untouched(void **state)
{
    (void)state;
    const struct taut_droptest_rule good = tt_rule(0.5, TAUT_TEST_FIXED, 600);
    struct taut_droptest_rule bad[12];
    for (size_t i = 0; i < 12; i++)
        bad[i] = good;
    bad[0].limit_pa_per_s = NAN; /* no limit at all */
    bad[1].limit_pa_per_s = 0;
    bad[2].limit_pa_per_s = INFINITY;
    bad[3].rise_limit_pa = 100; /* without its time */
    bad[4].risk = 0;
    bad[5].risk = 0.5;
    bad[6].test_s = 0;
    bad[7].settle_min_s = -1;
    bad[8].drift_pa_per_s = -1;
    bad[9].resolution_pa = NAN;
    bad[10].risk = NAN;
    bad[11].temperature_drift_k_per_s = -1;
    struct taut_droptest test, before;
    memset(&test, 0xA5, sizeof test);
    memcpy(&before, &test, sizeof test);
    for (size_t i = 0; i < 12; i++) {
        assert_int_equal(taut_droptest_init(&test, &bad[i]), TAUT_E_ARG);
        assert_memory_equal(&test, &before, sizeof test);
    }
    assert_int_equal(taut_droptest_init(&test, &good), TAUT_OK);
    assert_int_equal(taut_droptest_result(&test)->stage, TAUT_STAGE_BEFORE);
}

static void the_working_storage_stays_small_enough_for_64_stations(void **state)
{
    (void)state;
    assert_true(sizeof(struct taut_droptest) <= 24 * 1024);
}

static void tight_bag_passes_and_says_why(void **state)
{
    (void)state;
    struct tt_bag bag = tt_bag_usual;
    struct taut_droptest_rule rule = tt_rule(0.5, TAUT_TEST_EARLY, 600);
    struct taut_droptest test;
    double took_s = tt_bag_run(&bag, &rule, 1, &test);
    assert_int_equal(test.result.verdict, TAUT_VERDICT_PASS);
    assert_int_equal(test.result.why, TAUT_WHY_BOUND_BELOW_LIMIT);
    assert_true(took_s < 120);
    assert_true(test.result.rate_high_pa_per_s < rule.limit_pa_per_s);
    assert_true(test.result.needed_s == 0);
}

static void leaking_bag_fails_and_says_why(void **state)
{
    (void)state;
    struct tt_bag bag = tt_bag_usual;
    bag.leak_mbar_per_min = 2;
    struct taut_droptest_rule rule = tt_rule(0.5, TAUT_TEST_FIXED, 600);
    struct taut_droptest test;
    double took_s = tt_bag_run(&bag, &rule, 1, &test);
    assert_int_equal(test.result.verdict, TAUT_VERDICT_FAIL);
    assert_int_equal(test.result.why, TAUT_WHY_BOUND_ABOVE_LIMIT);
    assert_true(took_s >= 600);
    assert_float_equal(taut_mbar_per_min(test.result.rate_pa_per_s), 2, 0.05);
    assert_true(test.result.rate_low_pa_per_s > rule.limit_pa_per_s);
}

static void bag_that_is_still_pumped_is_never_passed(void **state)
{
    (void)state;
    struct tt_bag bag = tt_bag_usual;
    bag.pumped = true;
    bag.fall_mbar_per_min = 0;
    for (int mode = TAUT_TEST_FIXED; mode <= TAUT_TEST_EARLY; mode++) {
        struct taut_droptest_rule rule = tt_rule(0.5, (enum taut_test_mode)mode, 600);
        for (uint64_t seed = 1; seed <= 20; seed++) {
            struct taut_droptest test;
            tt_bag_run(&bag, &rule, seed, &test);
            assert_int_equal(test.result.verdict, TAUT_VERDICT_INCONCLUSIVE);
            assert_int_equal(test.result.why, TAUT_WHY_STILL_PUMPED);
        }
    }
}

static void readings_without_any_change_are_inconclusive(void **state)
{
    (void)state;
    struct tt_bag bag = tt_bag_usual;
    bag.sigma_mbar = 0;
    struct taut_droptest_rule rule = tt_rule(0.5, TAUT_TEST_EARLY, 300);
    struct taut_droptest test;
    tt_bag_run(&bag, &rule, 1, &test);
    assert_int_equal(test.result.verdict, TAUT_VERDICT_INCONCLUSIVE);
    assert_int_equal(test.result.why, TAUT_WHY_NO_CHANGE);
}

static void same_readings_give_the_same_bits_also_in_a_copied_struct(void **state)
{
    (void)state;
    struct tt_bag bag = tt_bag_usual;
    bag.transient_mbar = 4;
    bag.tau_s = 60;
    struct taut_droptest_rule rule = tt_rule(0.5, TAUT_TEST_EARLY, 600);
    struct taut_droptest a, b;
    tt_bag_run(&bag, &rule, 7, &a);
    tt_bag_run(&bag, &rule, 7, &b);
    assert_memory_equal(&a.result, &b.result, sizeof a.result);

    /* half way, go on with a copy */
    struct tt_random r = tt_random_seed(3);
    struct tt_noise noise = tt_noise_start(&r, 0.9, 0.1);
    assert_int_equal(taut_droptest_init(&a, &rule), TAUT_OK);
    taut_droptest_isolate(&a, 0);
    for (int i = 0; i < 6000 && a.result.stage != TAUT_STAGE_DECIDED; i++) {
        struct taut_sweep sweep = tt_bag_sweep(tt_bag_read(&bag, i / 10.0, &noise, &r));
        taut_droptest_push(&a, taut_ns(i / 10.0), &sweep);
        if (i == 500)
            b = a;
        if (i > 500)
            taut_droptest_push(&b, taut_ns(i / 10.0), &sweep);
    }
    assert_memory_equal(&a.result, &b.result, sizeof a.result);
}

static void an_interrupted_test_is_inconclusive_whatever_it_had_seen(void **state)
{
    (void)state;
    struct tt_bag bag = tt_bag_usual;
    struct taut_droptest_rule rule = tt_rule(0.5, TAUT_TEST_EARLY, 600);
    rule.test_min_s = 500;
    struct tt_random r = tt_random_seed(3);
    struct tt_noise noise = tt_noise_start(&r, 0.9, 0.1);
    struct taut_droptest test;
    assert_int_equal(taut_droptest_init(&test, &rule), TAUT_OK);
    for (int i = -400; i < 4000; i++) {
        if (i == 0)
            taut_droptest_isolate(&test, 0);
        struct taut_sweep sweep = tt_bag_sweep(tt_bag_read(&bag, i / 10.0, &noise, &r));
        taut_droptest_push(&test, taut_ns(i / 10.0), &sweep);
    }
    assert_int_equal(test.result.stage, TAUT_STAGE_MEASURING);
    taut_droptest_stop(&test, TAUT_WHY_INTERRUPTED);
    assert_int_equal(test.result.verdict, TAUT_VERDICT_INCONCLUSIVE);
    assert_int_equal(test.result.why, TAUT_WHY_INTERRUPTED);
}

static void texts_exist_for_every_reason_and_verdict(void **state)
{
    (void)state;
    for (int why = 0; why < TAUT_WHYS; why++) {
        assert_non_null(taut_droptest_why_word((enum taut_droptest_why)why));
        assert_true(strlen(taut_droptest_why_text((enum taut_droptest_why)why)) > 5);
    }
    assert_string_equal(taut_verdict_text(TAUT_VERDICT_INCONCLUSIVE), "inconclusive");
    assert_string_equal(taut_droptest_why_word(TAUT_WHY_STILL_PUMPED), "still-pumped");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(init_of_a_rule_out_of_range_leaves_the_test_untouched),
        cmocka_unit_test(the_working_storage_stays_small_enough_for_64_stations),
        cmocka_unit_test(tight_bag_passes_and_says_why),
        cmocka_unit_test(leaking_bag_fails_and_says_why),
        cmocka_unit_test(bag_that_is_still_pumped_is_never_passed),
        cmocka_unit_test(readings_without_any_change_are_inconclusive),
        cmocka_unit_test(same_readings_give_the_same_bits_also_in_a_copied_struct),
        cmocka_unit_test(an_interrupted_test_is_inconclusive_whatever_it_had_seen),
        cmocka_unit_test(texts_exist_for_every_reason_and_verdict),
    };
    return cmocka_run_group_tests_name("droptest", tests, NULL, NULL);
}
