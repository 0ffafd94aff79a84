/* Control charts against NIST/SEMATECH e-Handbook 6.3.2.2 and 6.3.2.3 (spc_*.csv, spc_limits.json), and run lengths
 * against R spc, a Markov chain, and Lucas and Crosier 1982 (cusum_arl.csv). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/chart.h"
#include "taut/noise.h"
#include "tt_csv.h"

/* spc_limits.json */
static const double target = 325, slack = 0.3175, limit = 4.1959;

static void the_handbook_cusum_alarms_first_at_the_fourteenth_reading(void **state)
{
    (void)state;
    struct taut_cusum cusum;
    taut_cusum_init(&cusum, target, slack, limit);
    struct tt_csv table;
    tt_csv_open(&table, "spc_cusum_ehandbook_6_3_2_3.csv");
    int first = 0;
    while (tt_csv_next(&table)) {
        int alarm = taut_cusum_push(&cusum, tt_csv_number(&table, "x"));
        tt_near_abs(cusum.high, tt_csv_number(&table, "exact_s_hi"), 1e-9, "exact S_hi");
        tt_near_abs(cusum.low, tt_csv_number(&table, "exact_s_lo"), 1e-9, "exact S_lo");
        tt_near_abs(cusum.high, tt_csv_number(&table, "printed_s_hi"), 0.0051, "printed S_hi");
        tt_near_abs(cusum.low, tt_csv_number(&table, "printed_s_lo"), 0.0051, "printed S_lo");
        assert_int_equal(alarm, (int)tt_csv_number(&table, "alarm_hi") - (int)tt_csv_number(&table, "alarm_lo"));
        if (alarm && !first)
            first = (int)tt_csv_number(&table, "i");
    }
    tt_csv_close(&table);
    assert_int_equal(first, 14);
}

static void the_handbook_individuals_chart_has_its_printed_limits(void **state)
{
    (void)state;
    double x[32];
    size_t n = 0;
    struct tt_csv table;
    tt_csv_open(&table, "spc_individuals_ehandbook_6_3_2_2.csv");
    while (tt_csv_next(&table))
        x[n++] = tt_csv_number(&table, "x");
    tt_csv_close(&table);
    struct taut_individuals chart;
    assert_int_equal(taut_individuals_limits(x, n, &chart), TAUT_OK);
    tt_near_abs(chart.centre, 50.81, 5e-5, "centre");
    tt_near_abs(chart.moving_range, 1.8778, 5e-5, "mean moving range");
    tt_near_abs(chart.upper, 55.8041, 5e-5, "upper limit");
    tt_near_abs(chart.lower, 45.8159, 5e-5, "lower limit");
    tt_near(chart.upper, 55.80408983451536643, 1e-12, "upper limit, exact");
    tt_near_abs(chart.range_upper, 6.1347, 5e-5, "upper limit of the range");
    for (size_t i = 0; i < n; i++)
        assert_true(x[i] > chart.lower && x[i] < chart.upper);
}

static void run_lengths_agree_with_two_other_programs(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "cusum_arl.csv");
    while (tt_csv_next(&table)) {
        double k = tt_csv_number(&table, "k_sigma"), h = tt_csv_number(&table, "h_sigma"),
               d = tt_csv_number(&table, "shift_sigma");
        tt_near(taut_cusum_run_length(k, h, d), tt_csv_number(&table, "arl_one_sided"), 1e-6, "one-sided");
        tt_near(taut_cusum_run_length(k, h, d), tt_csv_number(&table, "arl_one_sided_markov_richardson"), 1e-6, "Markov");
        tt_near(taut_cusum_run_length_two_sided(k, h, d), tt_csv_number(&table, "arl_two_sided"), 1e-6, "two-sided");
        tt_near(taut_cusum_run_length_siegmund(k, h, d), tt_csv_number(&table, "siegmund_one_sided_approx"), 5e-6, "Siegmund");
        double printed = tt_csv_number(&table, "lucas_crosier_1982_two_sided_h4");
        if (isfinite(printed))
            tt_near(taut_cusum_run_length_two_sided(k, h, d), printed, 0.005, "Lucas and Crosier");
    }
    tt_csv_close(&table);
}

static void a_simulated_chart_runs_as_long_as_computed(void **state)
{
    (void)state;
    struct taut_random random;
    taut_random_init(&random, 4711, 0);
    enum { RUNS = 20000 };
    double sum = 0, square = 0;
    for (int i = 0; i < RUNS; i++) {
        struct taut_cusum cusum;
        taut_cusum_init(&cusum, 0, 0.5, 4);
        int n = 1;
        while (taut_cusum_push(&cusum, 1 + taut_random_normal(&random)) <= 0)
            n++;
        sum += n;
        square += (double)n * n;
    }
    double mean = sum / RUNS, error = sqrt((square / RUNS - mean * mean) / RUNS);
    tt_near_abs(mean, taut_cusum_run_length(0.5, 4, 1), 4 * error, "mean run length");
}

static void a_limit_gives_the_run_length_it_was_asked_for(void **state)
{
    (void)state;
    tt_near(taut_cusum_limit(0.5, 930.887012064), 5.0, 1e-7, "h for k 0.5");
    tt_near(taut_cusum_limit(0.25, 736.78774653), 8.0, 1e-7, "h for k 0.25");
    assert_true(isnan(taut_cusum_limit(0.5, 0.5)));
    assert_true(isnan(taut_cusum_limit(-1, 100)));
}

static void bad_arguments_are_refused_and_bad_readings_change_nothing(void **state)
{
    (void)state;
    assert_true(isnan(taut_cusum_run_length(0.5, 0, 0)));
    assert_true(isnan(taut_cusum_run_length((double)NAN, 4, 0)));
    struct taut_individuals chart = {.centre = 7};
    double x[2] = {1, (double)INFINITY};
    assert_int_equal(taut_individuals_limits(x, 1, &chart), TAUT_E_FEW);
    assert_int_equal(taut_individuals_limits(x, 2, &chart), TAUT_E_ARG);
    assert_true(chart.centre == 7);
    struct taut_cusum cusum;
    taut_cusum_init(&cusum, 0, 0.5, 4);
    cusum.high = 3;
    assert_int_equal(taut_cusum_push(&cusum, (double)NAN), 0);
    assert_true(cusum.high == 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_handbook_cusum_alarms_first_at_the_fourteenth_reading),
        cmocka_unit_test(the_handbook_individuals_chart_has_its_printed_limits),
        cmocka_unit_test(run_lengths_agree_with_two_other_programs),
        cmocka_unit_test(a_simulated_chart_runs_as_long_as_computed),
        cmocka_unit_test(a_limit_gives_the_run_length_it_was_asked_for),
        cmocka_unit_test(bad_arguments_are_refused_and_bad_readings_change_nothing),
    };
    return cmocka_run_group_tests_name("chart", tests, NULL, NULL);
}
