/* How often is a verdict wrong?  False passes of a bag that leaks exactly the limit and of one that leaks more, false
 * fails of a bag within it, fixed and early, with and without a transient; and a bag that is still pumped.
 *
 * Short: few runs at a stated risk of 5 %, where a broken bound shows soonest. TAUT_STAT_FULL=1: the recipe's 1 % with
 * 3000 runs a cell. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tt_bag.h"
#include "tt_study.h"

static const double limit = 0.5;

struct wrong {
    struct tt_count pass, fail, inconclusive;
    double mean_s;
};

static struct wrong run_cell(const struct tt_bag *bag, const struct taut_droptest_rule *rule, int runs)
{
    struct wrong w = {0};
    for (int i = 0; i < runs; i++) {
        struct taut_droptest test;
        uint64_t seed = 1 + (uint64_t)i;
        w.mean_s += tt_bag_run(bag, rule, seed, &test) / runs;
        tt_count_add(&w.pass, test.result.verdict == TAUT_VERDICT_PASS, seed);
        tt_count_add(&w.fail, test.result.verdict == TAUT_VERDICT_FAIL, seed);
        tt_count_add(&w.inconclusive, test.result.verdict == TAUT_VERDICT_INCONCLUSIVE, seed);
    }
    return w;
}

static void print_cell(const struct tt_bag *bag, const struct taut_droptest_rule *rule, const struct wrong *w)
{
    print_message("%-5s %4.0f s, risk %3.0f %%: leak %4.2f, phi %.2f sigma %.2f step %.2f, transient %3.1f mbar %4.1f min: pass "
                  "%6.2f %%  fail "
                  "%6.2f %%  inconclusive %6.2f %%  mean %4.0f s\n",
                  rule->mode == TAUT_TEST_FIXED ? "fixed" : "early", rule->test_s, 100 * rule->risk, bag->leak_mbar_per_min,
                  bag->phi, bag->sigma_mbar, bag->step_mbar, bag->transient_mbar, bag->tau_s / 60, 100 * tt_count_rate(&w->pass),
                  100 * tt_count_rate(&w->fail), 100 * tt_count_rate(&w->inconclusive), w->mean_s);
}

struct cell {
    double phi, sigma_mbar, transient_mbar, tau_min, step_mbar;
};
static const struct cell cells[] = {
    {0.9,  0.1,  0,   0,   0   },
    {0.9,  0.1,  5,   1,   0   },
    {0.95, 0.25, 5,   3,   0   },
    {0.95, 0.1,  0,   0,   0   },
    {0,    0.02, 5,   0.5, 0   },
    {0,    0.1,  5,   6,   0   },
    {0.5,  0.25, 0.5, 2,   0   },
    {0.9,  0.1,  0,   0,   0.25},
    {0.9,  0.02, 0,   0,   0.25},
    {0.9,  0.25, 5,   6,   0   },
};

static void study(double leak_share, bool pass_is_wrong)
{
    bool full = tt_study_full();
    int count = (int)(sizeof cells / sizeof cells[0]);
    for (int mode = TAUT_TEST_FIXED; mode <= TAUT_TEST_EARLY; mode++)
        for (int i = 0; i < count; i += full ? 1 : 2) {
            struct tt_bag bag = tt_bag_usual;
            const struct cell *c = &cells[full ? i : (i + mode) % count];
            bag.leak_mbar_per_min = leak_share * limit;
            bag.phi = c->phi;
            bag.sigma_mbar = c->sigma_mbar;
            bag.transient_mbar = c->transient_mbar;
            bag.tau_s = 60 * c->tau_min;
            bag.step_mbar = c->step_mbar;
            struct taut_droptest_rule rule = tt_rule(limit, (enum taut_test_mode)mode, 600);
            rule.risk = full ? 0.01 : 0.05;
            rule.resolution_pa = c->step_mbar * TAUT_PA_PER_MBAR;
            struct wrong w = run_cell(&bag, &rule, tt_study_runs(80, 3000));
            print_cell(&bag, &rule, &w);
            tt_study_at_most(pass_is_wrong ? &w.pass : &w.fail, rule.risk, pass_is_wrong ? "false passes" : "false fails");
        }
}

static void a_bag_that_leaks_the_limit_is_passed_no_more_often_than_stated(void **state)
{
    (void)state;
    study(1, true);
}

static void a_tight_bag_is_failed_no_more_often_than_stated(void **state)
{
    (void)state;
    study(0, false);
}

/* 0.8 and 1.2 times the limit within 5 min, sigma 0.25 autocorrelated; the difference of the end readings beside it */
static void near_the_limit_at_most_one_percent_is_wrong(void **state)
{
    (void)state;
    for (int side = 0; side < 2; side++) {
        struct tt_bag bag = tt_bag_usual;
        bag.leak_mbar_per_min = limit * (side ? 1.2 : 0.8);
        bag.sigma_mbar = 0.25;
        struct taut_droptest_rule rule = tt_rule(limit, TAUT_TEST_FIXED, 300);
        struct wrong w = run_cell(&bag, &rule, tt_study_runs(400, 5000));
        struct tt_count naive = {0};
        for (int i = 0; i < w.pass.runs; i++) {
            struct tt_random r = tt_random_seed(1 + (uint64_t)i);
            struct tt_noise first = tt_noise_start(&r, 0, bag.sigma_mbar);
            double rate =
                (tt_bag_mbar(&bag, 300) + tt_noise_next(&first, &r) - tt_bag_mbar(&bag, 0) - tt_noise_next(&first, &r)) / 5;
            tt_count_add(&naive, side ? rate < limit : rate > limit, 1 + (uint64_t)i);
        }
        print_cell(&bag, &rule, &w);
        print_message("      end reading minus start reading: wrong in %.1f %%\n", 100 * tt_count_rate(&naive));
        tt_study_at_most(side ? &w.pass : &w.fail, 0.01, "wrong verdicts");
    }
}

/* A time constant drawn at random, 1 to 10 min, a leak of 1.2 times the limit. */
static void unknown_time_constants_do_not_pass_a_leaking_bag(void **state)
{
    (void)state;
    for (int mode = TAUT_TEST_FIXED; mode <= TAUT_TEST_EARLY; mode++) {
        struct tt_count passes = {0};
        int runs = tt_study_runs(250, 5000);
        for (int i = 0; i < runs; i++) {
            uint64_t seed = 1 + (uint64_t)i;
            struct tt_random r = tt_random_seed(seed + 1000000);
            struct tt_bag bag = tt_bag_usual;
            bag.leak_mbar_per_min = 1.2 * limit;
            bag.transient_mbar = 5;
            bag.tau_s = 60 + 540 * tt_random_uniform(&r);
            struct taut_droptest_rule rule = tt_rule(limit, (enum taut_test_mode)mode, 600);
            struct taut_droptest test;
            tt_bag_run(&bag, &rule, seed, &test);
            tt_count_add(&passes, test.result.verdict == TAUT_VERDICT_PASS, seed);
        }
        print_message("%s, tau 1 to 10 min at random, 1.2 times the limit: %d false passes of %d\n", mode ? "early" : "fixed",
                      passes.events, passes.runs);
        tt_study_at_most(&passes, 0.01, "false passes");
    }
}

/* The valve did not close: a flat base, or a pump-down that goes on. */
static void a_bag_that_is_still_pumped_is_never_passed(void **state)
{
    (void)state;
    static const double phis[] = {0, 0.9, 0.95};
    for (int down = 0; down < 2; down++)
        for (int p = 0; p < 3; p++) {
            int runs = tt_study_runs(150, 3000), passes = 0;
            for (int i = 0; i < runs; i++) {
                struct tt_random r = tt_random_seed(1 + (uint64_t)i);
                struct tt_noise noise = tt_noise_start(&r, phis[p], 0.1);
                double tau_s = 5 + 60 * tt_random_uniform(&r), fall_mbar = down ? 2 + 20 * tt_random_uniform(&r) : 0;
                struct taut_droptest_rule rule = tt_rule(limit, TAUT_TEST_EARLY, 600);
                struct taut_droptest test;
                assert_int_equal(taut_droptest_init(&test, &rule), TAUT_OK);
                for (long k = -400; k < 6100 && test.result.stage != TAUT_STAGE_DECIDED; k++) {
                    double t_s = (double)k / 10;
                    if (k == 0)
                        taut_droptest_isolate(&test, 0);
                    struct taut_sweep sweep = tt_bag_sweep(8 + fall_mbar * exp(-t_s / tau_s) + tt_noise_next(&noise, &r));
                    taut_droptest_push(&test, taut_ns(t_s), &sweep);
                }
                if (test.result.verdict == TAUT_VERDICT_PASS) {
                    passes++;
                    print_message("  passed: seed %d\n", i + 1);
                }
            }
            print_message("still pumped, %s, phi %.2f: %d passes of %d\n", down ? "pump-down goes on" : "flat base", phis[p],
                          passes, runs);
            assert_int_equal(passes, 0);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_bag_that_leaks_the_limit_is_passed_no_more_often_than_stated),
        cmocka_unit_test(a_tight_bag_is_failed_no_more_often_than_stated),
        cmocka_unit_test(near_the_limit_at_most_one_percent_is_wrong),
        cmocka_unit_test(unknown_time_constants_do_not_pass_a_leaking_bag),
        cmocka_unit_test(a_bag_that_is_still_pumped_is_never_passed),
    };
    return cmocka_run_group_tests_name("droptest risk", tests, NULL, NULL);
}
