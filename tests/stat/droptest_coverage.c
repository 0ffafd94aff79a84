/* Do the 95 % intervals of the leak cover it 95 times in 100?  Fixed tests of 10 min at 10 Hz, leak 0.25 mbar/min.
 *
 * Wished: 93 to 97 %. Checked so far: the lower side only, never below 93 % (beyond chance). Where a step outweighs the
 * noise the interval holds a bound, not a deviation, and covers more.
 * Short: 120 runs a cell over a sample of cells. TAUT_STAT_FULL=1: 2000 runs over all. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tt_bag.h"
#include "tt_study.h"

static const double leak = 0.25, test_s = 600;

struct figures {
    struct tt_count misses, hits;
    double error_square, u, curved;
};

static struct figures run_cell(const struct tt_bag *bag, int runs)
{
    struct figures f = {0};
    struct taut_droptest_rule rule = tt_rule(0.5, TAUT_TEST_FIXED, test_s);
    rule.resolution_pa = bag->step_mbar * TAUT_PA_PER_MBAR;
    for (int i = 0; i < runs; i++) {
        struct taut_droptest test;
        uint64_t seed = 1 + (uint64_t)i;
        tt_bag_run(bag, &rule, seed, &test);
        const struct taut_droptest_result *r = &test.result;
        double low = taut_mbar_per_min(r->rate_95_low_pa_per_s), high = taut_mbar_per_min(r->rate_95_high_pa_per_s);
        bool hit = leak >= low && leak <= high;
        tt_count_add(&f.misses, !hit, seed);
        tt_count_add(&f.hits, hit, seed);
        double error = taut_mbar_per_min(r->rate_pa_per_s) - leak;
        f.error_square += error * error / runs;
        f.u += taut_mbar_per_min(r->u_rate_pa_per_s) / runs;
        f.curved += (double)(r->model != TAUT_RISE_LINE) / runs;
    }
    return f;
}

static void check_cell(const struct tt_bag *bag, int runs, bool upper_too)
{
    struct figures f = run_cell(bag, runs);
    print_message("phi %.2f sigma %.2f step %.2f transient %3.1f mbar %4.1f min: covers %5.1f %%  rms %.4f  mean u %.4f  "
                  "transient seen %3.0f %%\n",
                  bag->phi, bag->sigma_mbar, bag->step_mbar, bag->transient_mbar, bag->tau_s / 60, 100 * tt_count_rate(&f.hits),
                  sqrt(f.error_square), f.u, 100 * f.curved);
    tt_study_at_most(&f.misses, 0.07, "intervals that miss");
    if (upper_too)
        tt_study_at_most(&f.hits, 0.97, "intervals that hit");
}

static void intervals_cover_the_leak_as_often_as_stated(void **state)
{
    (void)state;
    static const double phis[] = {0, 0.5, 0.9, 0.95}, sigmas[] = {0.02, 0.1, 0.25};
    static const double taus_min[] = {0, 0.5, 1, 3, 6};
    bool full = tt_study_full();
    int number = 0, runs = tt_study_runs(120, 2000);
    for (int p = 0; p < 4; p++)
        for (int s = 0; s < 3; s++)
            for (int t = 0; t < 5; t++) {
                if (!full && number++ % 7 != 0)
                    continue;
                struct tt_bag bag = tt_bag_usual;
                bag.leak_mbar_per_min = leak;
                bag.phi = phis[p];
                bag.sigma_mbar = sigmas[s];
                bag.tau_s = 60 * taus_min[t];
                bag.transient_mbar = bag.tau_s > 0 ? 5 : 0;
                check_cell(&bag, runs, false);
            }
}

static void intervals_hold_under_a_coarse_converter(void **state)
{
    (void)state;
    static const double sigmas[] = {0.02, 0.1, 0.25}, phis[] = {0, 0.9};
    int runs = tt_study_runs(100, 2000);
    for (int s = 0; s < 3; s++)
        for (int p = 0; p < 2; p++) {
            struct tt_bag bag = tt_bag_usual;
            bag.leak_mbar_per_min = leak;
            bag.phi = phis[p];
            bag.sigma_mbar = sigmas[s];
            bag.step_mbar = 0.25;
            check_cell(&bag, runs, false);
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(intervals_cover_the_leak_as_often_as_stated),
        cmocka_unit_test(intervals_hold_under_a_coarse_converter),
    };
    return cmocka_run_group_tests_name("droptest coverage", tests, NULL, NULL);
}
