/* Distributions and moments against mpmath, scipy and R (quantiles.csv), NIST StRD univariate sets, JCGM 106 and ILAC-G8
 * guard bands, Wald's sequential test; GSL as a second opinion. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_cdf.h>

#include "taut/stats.h"
#include "tt_csv.h"
#include "tt_json.h"

static double evaluate(const char *function, double x, double d1, double d2)
{
    if (strcmp(function, "normal_quantile") == 0)
        return taut_stats_normal_upper(1 - x); /* p itself is exact for the values in the table */
    if (strcmp(function, "normal_cdf") == 0)
        return taut_stats_normal_tail(-x);
    if (strcmp(function, "normal_sf") == 0)
        return taut_stats_normal_tail(x);
    if (strcmp(function, "t_quantile") == 0)
        return -taut_stats_t_upper(x, d1);
    if (strcmp(function, "t_cdf") == 0)
        return taut_stats_t_tail(-x, d1);
    if (strcmp(function, "t_sf") == 0)
        return taut_stats_t_tail(x, d1);
    if (strcmp(function, "chi2_quantile") == 0)
        return taut_stats_chi2_upper(1 - x, d1);
    if (strcmp(function, "F_quantile") == 0)
        return taut_stats_f_upper(1 - x, d1, d2);
    fail_msg("unknown function %s", function);
    return 0;
}

/* source: mpmath, 1e-9 */
static void quantiles_and_tails_agree_with_the_reference(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "quantiles.csv");
    while (tt_csv_next(&t)) {
        const char *function = tt_csv_text(&t, "function");
        double x = tt_csv_number(&t, "argument_p_or_x");
        double got = evaluate(function, x, tt_csv_number(&t, "df1"), tt_csv_number(&t, "df2"));
        /* 1 - p loses digits of a p near one */
        double within = strstr(function, "quantile") && x > 0.9999 ? 1e-8 : 1e-9;
        double want = tt_csv_number(&t, "value_mpmath");
        if (fabs(got - want) > within * fabs(want) + 1e-15)
            fail_msg("%s(%g): got %.15g want %.15g", function, x, got, want);
    }
    tt_csv_close(&t);
}

static void arguments_outside_the_domain_give_not_a_number_and_never_abort(void **state)
{
    (void)state;
    const double bad[] = {0, 1, -0.1, 1.1, NAN, INFINITY};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        assert_true(isnan(taut_stats_normal_upper(bad[i])));
        assert_true(isnan(taut_stats_t_upper(bad[i], 5)));
        assert_true(isnan(taut_stats_chi2_upper(bad[i], 5)));
        assert_true(isnan(taut_stats_f_upper(bad[i], 5, 5)));
    }
    assert_true(isnan(taut_stats_t_upper(0.01, 0)));
    assert_true(isnan(taut_stats_t_upper(0.01, INFINITY)));
    assert_true(isnan(taut_stats_t_tail(NAN, 5)));
    assert_true(isnan(taut_stats_f_upper(0.01, 5, -1)));
}

/* Wallace 1959 against GSL: what the drop test uses in place of a quantile function */
static void closed_form_of_t_holds_to_a_few_thousandths(void **state)
{
    (void)state;
    for (double freedom = 5; freedom < 100; freedom *= 1.5)
        for (double z = 0.5; z <= 4; z += 0.25) {
            double want = gsl_cdf_tdist_Qinv(gsl_cdf_ugaussian_Q(z), freedom);
            tt_near(taut_stats_t_of_normal(z, freedom), want, freedom < 8 ? 0.05 : 0.02, "t of z");
            tt_near(taut_stats_normal_of_t(taut_stats_t_of_normal(z, freedom), freedom), z, 1e-12, "and back");
            tt_near(taut_stats_t_of_normal(-z, freedom), -taut_stats_t_of_normal(z, freedom), 1e-15, "odd");
        }
}

static size_t column(const char *file, double *y, size_t most)
{
    struct tt_csv t;
    size_t n = 0;
    tt_csv_open(&t, file);
    while (tt_csv_next(&t) && n < most)
        y[n++] = tt_csv_number(&t, "y");
    tt_csv_close(&t);
    return n;
}

/* source: NIST StRD, certified */
static void moments_of_the_nist_sets_are_right_to_nine_digits(void **state)
{
    (void)state;
    static double y[1001];
    const char *json = tt_json_load("nist_certified.json");
    static const struct {
        const char *name, *file;
    } sets[] = {
        {"Mavro",   "nist_mavro.csv"},
        {"Lew",     "nist_lew.csv"  },
        {"NumAcc3", NULL            }
    };
    for (size_t k = 0; k < 3; k++) {
        size_t n = 0;
        if (sets[k].file) {
            n = column(sets[k].file, y, 1001);
        } else { /* catastrophic cancellation: 1000000.2, then .1 and .3 in turn */
            y[n++] = 1000000.2;
            for (int i = 0; i < 1000; i++)
                y[n++] = i % 2 ? 1000000.3 : 1000000.1;
        }
        struct taut_stats_summary s;
        assert_int_equal(taut_stats_summarise(y, n, &s), TAUT_OK);
        char path[64];
        snprintf(path, sizeof path, "_univariate/%s/certified_mean", sets[k].name);
        tt_near(s.mean, tt_json_number(json, path), 1e-12, path);
        snprintf(path, sizeof path, "_univariate/%s/certified_sd_n_minus_1", sets[k].name);
        tt_near(s.sd, tt_json_number(json, path), sets[k].file ? 1e-9 : 1e-8, path);
        snprintf(path, sizeof path, "_univariate/%s/certified_lag1_autocorrelation", sets[k].name);
        tt_near_abs(s.r1, tt_json_number(json, path), 1e-9, path);
    }
}

static void too_few_or_equal_values_are_reported(void **state)
{
    (void)state;
    struct taut_stats_summary s;
    const double y[3] = {5, 5, 5};
    assert_int_equal(taut_stats_summarise(y, 1, &s), TAUT_E_FEW);
    assert_int_equal(taut_stats_summarise(y, 3, &s), TAUT_E_SPREAD);
    assert_true(s.mean == 5);
}

static void a_bend_has_too_few_runs_and_a_zigzag_too_many(void **state)
{
    (void)state;
    double bend[40], zigzag[40];
    for (int i = 0; i < 40; i++) {
        bend[i] = (i - 10.5) * (i - 30.5);
        zigzag[i] = i % 2 ? 1 : -1;
    }
    assert_true(taut_stats_runs_z(bend, 40) < -5);
    assert_true(taut_stats_runs_z(zigzag, 40) > 5);
    assert_true(taut_stats_runs_z(zigzag, 1) == 0);
    /* Wald and Wolfowitz 1940 by hand: 5 up, 5 down, 6 runs expected; + + + + + - - - - - has 2: (2 - 6)/sqrt(20/9) */
    const double block[10] = {1, 1, 1, 1, 1, -1, -1, -1, -1, -1};
    tt_near(taut_stats_runs_z(block, 10), -4 / sqrt(20.0 / 9), 1e-12, "runs");
}

/* source: normal tail; anchors ISO 14253-1:2017, ILAC-G8 */
static void guard_bands_give_the_stated_specific_risk(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "guard_band_specific_risk.csv");
    while (tt_csv_next(&t)) {
        double band = tt_csv_number(&t, "guard_band_in_u");
        tt_near(taut_stats_normal_tail(band), tt_csv_number(&t, "max_false_accept_probability_at_acceptance_limit"), 1e-9,
                "tail");
        tt_near(taut_stats_conformance(10 - band, 1, NAN, 10), tt_csv_number(&t, "min_conformance_probability"), 1e-9,
                "conformance");
    }
    tt_csv_close(&t);
}

/* source: JCGM 106:2012, 7.4 for the first row's inputs */
static void conformance_probabilities_agree_with_the_reference(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "conformance_probability.csv");
    while (tt_csv_next(&t)) {
        double got = taut_stats_conformance(tt_csv_number(&t, "measured"), tt_csv_number(&t, "standard_uncertainty"),
                                            tt_csv_number(&t, "lower_limit"), tt_csv_number(&t, "upper_limit"));
        tt_near(got, tt_csv_number(&t, "conformance_probability"), 1e-9, "conformance");
        const char *want = got > 0.95 ? "accept" : got < 0.05 ? "reject" : "undecided";
        assert_string_equal(want, tt_csv_text(&t, "decision_at_95pct"));
    }
    tt_csv_close(&t);
    assert_true(isnan(taut_stats_conformance(1, 0, NAN, 2)));
}

static void leak_decisions_fall_as_the_guarded_limits_say(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "leak_decision_guard_band.csv");
    while (tt_csv_next(&t)) {
        double measured = tt_csv_number(&t, "leak_measured");
        struct taut_guard g = taut_stats_guard(tt_csv_number(&t, "limit"), tt_csv_number(&t, "standard_uncertainty"), 0.05);
        tt_near(g.accept_at_or_below, tt_csv_number(&t, "accept_at_or_below"), 1e-9, "accept");
        tt_near(g.reject_at_or_above, tt_csv_number(&t, "reject_at_or_above"), 1e-9, "reject");
        const char *got = measured <= g.accept_at_or_below ? "pass" : measured >= g.reject_at_or_above ? "fail" : "inconclusive";
        assert_string_equal(got, tt_csv_text(&t, "decision"));
    }
    tt_csv_close(&t);
}

static void risks_of_a_whole_process_agree_with_the_reference(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "global_risk_one_sided.csv");
    while (tt_csv_next(&t)) {
        double accept, reject;
        taut_stats_global_risk(tt_csv_number(&t, "process_mean"), tt_csv_number(&t, "process_sd"),
                               tt_csv_number(&t, "measurement_sd"), tt_csv_number(&t, "upper_limit"),
                               tt_csv_number(&t, "guard_band"), &accept, &reject);
        tt_near(accept, tt_csv_number(&t, "P_false_accept"), 1e-6, "false accept");
        tt_near(reject, tt_csv_number(&t, "P_false_reject"), 1e-6, "false reject");
    }
    tt_csv_close(&t);
}

/* source: Wald 1947, closed forms */
static void sequential_test_has_walds_bounds_and_lengths(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "sprt_gaussian.csv");
    while (tt_csv_next(&t)) {
        struct taut_sprt s = taut_stats_sprt(tt_csv_number(&t, "alpha"), tt_csv_number(&t, "beta"));
        double shift = tt_csv_number(&t, "delta_sigma"), mean = tt_csv_number(&t, "true_mean_sigma");
        tt_near(s.log_a, tt_csv_number(&t, "logA"), 1e-9, "log A");
        tt_near(s.log_b, tt_csv_number(&t, "logB"), 1e-9, "log B");
        tt_near(taut_stats_sprt_accepts(&s, shift, 1, mean), tt_csv_number(&t, "wald_prob_accept_H0"), 1e-9, "accepts");
        double n = taut_stats_sprt_length(&s, shift, 1, mean);
        tt_near(n, tt_csv_number(&t, "wald_expected_n"), 1e-9, "length");
        assert_true(n < tt_csv_number(&t, "exact_discrete_expected_n")); /* no overshoot in Wald's */
    }
    tt_csv_close(&t);
    tt_csv_open(&t, "sprt_drift_continuous.csv");
    while (tt_csv_next(&t)) {
        struct taut_sprt s = taut_stats_sprt(tt_csv_number(&t, "alpha"), tt_csv_number(&t, "beta"));
        double r1 = tt_csv_number(&t, "r1_mbar_per_s"), noise = tt_csv_number(&t, "noise_mbar_per_sqrt_s");
        tt_near(taut_stats_sprt_length(&s, r1, noise, 0), tt_csv_number(&t, "expected_time_H0_s"), 1e-9, "time without");
        tt_near(taut_stats_sprt_length(&s, r1, noise, r1), tt_csv_number(&t, "expected_time_H1_s"), 1e-9, "time with");
    }
    tt_csv_close(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(quantiles_and_tails_agree_with_the_reference),
        cmocka_unit_test(arguments_outside_the_domain_give_not_a_number_and_never_abort),
        cmocka_unit_test(closed_form_of_t_holds_to_a_few_thousandths),
        cmocka_unit_test(moments_of_the_nist_sets_are_right_to_nine_digits),
        cmocka_unit_test(too_few_or_equal_values_are_reported),
        cmocka_unit_test(a_bend_has_too_few_runs_and_a_zigzag_too_many),
        cmocka_unit_test(guard_bands_give_the_stated_specific_risk),
        cmocka_unit_test(conformance_probabilities_agree_with_the_reference),
        cmocka_unit_test(leak_decisions_fall_as_the_guarded_limits_say),
        cmocka_unit_test(risks_of_a_whole_process_agree_with_the_reference),
        cmocka_unit_test(sequential_test_has_walds_bounds_and_lengths),
    };
    return cmocka_run_group_tests_name("stats", tests, NULL, NULL);
}
