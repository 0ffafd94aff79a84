/* A tight bag whose gas still evens out (5 mbar, tau 3 min) is not failed, and its leak is known to 0.06 mbar/min after
 * 10 min in 95 of 100 runs, where a straight line after 2 min of settling reads a leak. Noise 0.1 mbar, phi 0.9.
 *
 * And a gauge sensor under a real barometer (New York JFK, January to March 2013, hourly): uncorrected readings never
 * pass a leaking bag once the bound is stated; corrected ones need no bound. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/fit.h"
#include "tt_bag.h"
#include "tt_csv.h"
#include "tt_study.h"

static double straight_line(const struct tt_bag *bag, double from_s, double to_s, uint64_t seed)
{
    static double t[8000], p[8000];
    struct tt_random r = tt_random_seed(seed);
    struct tt_noise noise = tt_noise_start(&r, bag->phi, bag->sigma_mbar);
    size_t n = 0;
    for (double time_s = from_s; time_s < to_s; time_s += 1 / bag->hz, n++) {
        t[n] = time_s;
        p[n] = tt_bag_mbar(bag, time_s) + tt_noise_next(&noise, &r);
    }
    struct taut_fit_line line;
    assert_int_equal(taut_fit_line(t, p, n, &line), TAUT_OK);
    return 60 * line.slope;
}

static void a_tight_bag_with_a_slow_transient_is_not_failed(void **state)
{
    (void)state;
    struct tt_bag bag = tt_bag_usual;
    bag.transient_mbar = 5;
    bag.tau_s = 180;
    print_message("straight line after 2 min of settling reads %+.2f mbar/min over 3 min, %+.2f over 10 min\n",
                  straight_line(&bag, 120, 300, 1), straight_line(&bag, 120, 720, 1));
    for (int mode = TAUT_TEST_FIXED; mode <= TAUT_TEST_EARLY; mode++) {
        struct taut_droptest_rule rule = tt_rule(0.5, (enum taut_test_mode)mode, 600);
        struct tt_count fails = {0}, far = {0};
        int runs = tt_study_runs(250, 5000), passes = 0;
        for (int i = 0; i < runs; i++) {
            struct taut_droptest test;
            tt_bag_run(&bag, &rule, 1 + (uint64_t)i, &test);
            passes += test.result.verdict == TAUT_VERDICT_PASS;
            tt_count_add(&fails, test.result.verdict == TAUT_VERDICT_FAIL, 1 + (uint64_t)i);
            tt_count_add(&far, fabs(taut_mbar_per_min(test.result.rate_pa_per_s)) > 0.06, 1 + (uint64_t)i);
        }
        print_message("%s: fails %d, passes %d of %d; leak wrong by more than 0.06 mbar/min in %.1f %%\n",
                      mode ? "early" : "fixed", fails.events, passes, runs, 100 * tt_count_rate(&far));
        tt_study_at_most(&fails, 0.01, "false fails");
        if (mode == TAUT_TEST_FIXED)
            tt_study_at_most(&far, 0.05, "errors above 0.06 mbar/min");
    }
}

enum { HOURS_MAX = 2400 };

static int load_barometer(double *hpa, long *hour)
{
    struct tt_csv t;
    int n = 0;
    tt_csv_open(&t, "real_barometer_jfk_2013_q1.csv");
    while (tt_csv_next(&t) && n < HOURS_MAX) {
        double value = NAN;
        for (int i = 0; i < t.columns; i++)
            if (strstr(t.header[i], "pressure") || strstr(t.header[i], "hPa") || strstr(t.header[i], "mbar"))
                value = tt_csv_number(&t, t.header[i]);
        if (!isnan(value)) {
            hpa[n] = value;
            hour[n++] = t.line;
        }
    }
    tt_csv_close(&t);
    return n;
}

/* kind 0: gauge reading with a stated fixed ambient; 1: the same with the bound stated; 2: corrected by the barometer */
static void barometer_swings_do_not_pass_a_leaking_bag(void **state)
{
    (void)state;
    static double hpa[HOURS_MAX];
    static long hour[HOURS_MAX];
    int n = load_barometer(hpa, hour), stride = tt_study_full() ? 1 : 12;
    const double limit = 0.1, leak = 0.12;
    static const char *const kinds[] = {"fixed ambient, no bound", "fixed ambient, bound stated", "barometer channel"};
    for (int kind = 0; kind < 3; kind++) {
        int verdicts[4] = {0};
        struct tt_count passes = {0};
        for (int i = 0; i + 1 < n; i += stride) {
            if (hour[i + 1] != hour[i] + 1)
                continue; /* a gap in the record */
            double swing_mbar_per_min = (hpa[i + 1] - hpa[i]) / 60;
            struct tt_bag bag = tt_bag_usual;
            bag.sigma_mbar = kind == 2 ? 0.028 : 0.02; /* two sensors' noise when one corrects the other */
            bag.phi = 0.5;
            bag.leak_mbar_per_min = leak - (kind == 2 ? 0 : swing_mbar_per_min);
            struct taut_droptest_rule rule = tt_rule(limit, TAUT_TEST_FIXED, 600);
            if (kind == 1)
                rule.drift_pa_per_s =
                    3.3 / 60 * TAUT_PA_PER_S_PER_MBAR_PER_MIN; /* the greatest change in this record is 3.2 hPa/h */
            struct taut_droptest test;
            tt_bag_run(&bag, &rule, (uint64_t)i, &test);
            verdicts[test.result.verdict]++;
            tt_count_add(&passes, test.result.verdict == TAUT_VERDICT_PASS, (uint64_t)i);
        }
        print_message("leak 0.12 of 0.10 mbar/min, %s: passes %d, fails %d, inconclusive %d of %d hours\n", kinds[kind],
                      verdicts[TAUT_VERDICT_PASS], verdicts[TAUT_VERDICT_FAIL], verdicts[TAUT_VERDICT_INCONCLUSIVE], passes.runs);
        if (kind == 0)
            assert_true(passes.events > 0); /* the trap is real in this record */
        else
            tt_study_at_most(&passes, 0.01, "false passes");
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_tight_bag_with_a_slow_transient_is_not_failed),
        cmocka_unit_test(barometer_swings_do_not_pass_a_leaking_bag),
    };
    return cmocka_run_group_tests_name("droptest transient", tests, NULL, NULL);
}
