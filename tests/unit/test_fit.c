/* Straight lines against NIST StRD, statsmodels and R sandwich (hac.json), and GSL. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_fit.h>

#include "taut/fit.h"
#include "tt_csv.h"
#include "tt_json.h"
#include "tt_random.h"

enum { MOST = 1000 };

static size_t columns(const char *file, const char *name_x, const char *name_y, double *x, double *y)
{
    struct tt_csv t;
    size_t n = 0;
    tt_csv_open(&t, file);
    while (tt_csv_next(&t) && n < MOST) {
        x[n] = tt_csv_number(&t, name_x);
        y[n++] = tt_csv_number(&t, name_y);
    }
    tt_csv_close(&t);
    return n;
}

/* source: NIST StRD Norris, certified; parameters 1e-9, deviations 1e-8 */
static void norris_line_is_right_to_nine_digits(void **state)
{
    (void)state;
    double x[MOST], y[MOST];
    size_t n = columns("nist_norris.csv", "x", "y", x, y);
    const char *json = tt_json_load("nist_certified.json");
    struct taut_fit_line f;
    assert_int_equal(taut_fit_line(x, y, n, &f), TAUT_OK);
    tt_near(f.intercept, tt_json_number(json, "Norris/B0/certified"), 1e-9, "intercept");
    tt_near(f.slope, tt_json_number(json, "Norris/B1/certified"), 1e-9, "slope");
    tt_near(f.u_intercept, tt_json_number(json, "Norris/B0/certified_sd"), 1e-8, "u intercept");
    tt_near(f.u_slope, tt_json_number(json, "Norris/B1/certified_sd"), 1e-8, "u slope");
    tt_near(f.residual_sd, tt_json_number(json, "Norris/certified_residual_sd"), 1e-8, "sd");
    tt_near(f.r_squared, tt_json_number(json, "Norris/certified_r_squared"), 1e-9, "r squared");
}

/* source: NIST StRD NoInt1, certified */
static void line_through_the_origin_is_right_to_nine_digits(void **state)
{
    (void)state;
    double x[MOST], y[MOST];
    size_t n = columns("nist_noint1.csv", "x", "y", x, y);
    const char *json = tt_json_load("nist_certified.json");
    struct taut_fit_line f;
    assert_int_equal(taut_fit_origin(x, y, n, &f), TAUT_OK);
    tt_near(f.slope, tt_json_number(json, "NoInt1/B1/certified"), 1e-9, "slope");
    tt_near(f.u_slope, tt_json_number(json, "NoInt1/B1/certified_sd"), 1e-8, "u slope");
    tt_near(f.residual_sd, tt_json_number(json, "NoInt1/certified_residual_sd"), 1e-8, "sd");
    tt_near(f.r_squared, tt_json_number(json, "NoInt1/certified_r_squared"), 1e-9, "r squared");
}

/* source: statsmodels 0.13.5, confirmed by R sandwich 3.0-2; OLS 1e-9, HAC 1e-8, the rest 1e-6 */
static void errors_under_autocorrelation_agree_with_the_reference(void **state)
{
    (void)state;
    static const struct {
        const char *file;
        double phi, innovation_sd;
    } sets[] = {
        {"hac_series_a.csv", 0.6, 0.05},
        {"hac_series_b.csv", 0.9, 0.02}
    };
    static const size_t lags[] = {1, 4, 8, 12, 20};
    double x[MOST], y[MOST];
    const char *json = tt_json_load("hac.json");
    for (size_t k = 0; k < 2; k++) {
        size_t n = columns(sets[k].file, "t_s", "p_mbar", x, y);
        const char *at = strstr(json, sets[k].file);
        assert_non_null(at);
        struct taut_fit_line f, g;
        struct taut_fit_errors e;
        assert_int_equal(taut_fit_line(x, y, n, &f), TAUT_OK);
        tt_near(f.slope, tt_json_number(at, "ols/slope_mbar_per_s"), 1e-9, "slope");
        tt_near(f.u_slope, tt_json_number(at, "ols/se_slope"), 1e-9, "u slope");
        tt_near(f.u_intercept, tt_json_number(at, "ols/se_intercept"), 1e-9, "u intercept");
        tt_near(f.r_squared, tt_json_number(at, "ols/r_squared"), 1e-9, "r squared");
        tt_near(f.durbin_watson, tt_json_number(at, "durbin_watson"), 1e-9, "Durbin-Watson");
        tt_near(f.r1, tt_json_number(at, "r1_sum_over_full_ss"), 1e-9, "r1");
        tt_near(taut_fit_effective_n(n, f.r1), tt_json_number(at, "ar1_effective_sample_size/value"), 1e-6, "effective n");
        for (size_t i = 0; i < sizeof lags / sizeof lags[0]; i++) {
            char name[64], path[128];
            snprintf(name, sizeof name, "L%zu_no_correction", lags[i]);
            assert_int_equal(taut_fit_newey_west(x, y, n, &f, lags[i], &e), TAUT_OK);
            snprintf(path, sizeof path, "%s/se_slope", name);
            tt_near(e.u_slope, tt_json_number(at, path), 1e-8, path);
            snprintf(path, sizeof path, "%s/se_intercept", name);
            tt_near(e.u_intercept, tt_json_number(at, path), 1e-8, path);
            snprintf(path, sizeof path, "%s/cov_intercept_slope", name);
            tt_near(e.covariance, tt_json_number(at, path), 1e-8, path);
        }
        double phi = sets[k].phi, sigma = sets[k].innovation_sd / sqrt(1 - phi * phi);
        tt_near(taut_fit_slope_sd_ar1(x, n, phi, sigma), tt_json_number(at, "exact_ols_slope_sd_for_true_phi"), 1e-6, "exact sd");
        assert_int_equal(taut_fit_gls_ar1(x, y, n, phi, &g), TAUT_OK);
        tt_near(g.slope, tt_json_number(at, "gls_true_phi/slope_mbar_per_s"), 1e-6, "gls slope");
        tt_near(g.intercept, tt_json_number(at, "gls_true_phi/intercept_mbar"), 1e-6, "gls intercept");
        /* the reference takes the innovation as known */
        tt_near(g.u_slope * sets[k].innovation_sd / g.innovation_sd, tt_json_number(at, "gls_true_phi/se_slope"), 1e-6,
                "gls u slope");
    }
}

static void lines_agree_with_gsl_on_random_data(void **state)
{
    (void)state;
    double x[200], y[200];
    struct tt_random r = tt_random_seed(11);
    for (int round = 0; round < 50; round++) {
        size_t n = 3 + (size_t)(tt_random_uniform(&r) * 190);
        double offset = 1e5 * tt_random_uniform(&r);
        for (size_t i = 0; i < n; i++) {
            x[i] = (double)i + 0.3 * tt_random_uniform(&r);
            y[i] = offset + 0.7 * x[i] + tt_random_normal(&r);
        }
        struct taut_fit_line f;
        double c0, c1, v00, v01, v11, rss;
        assert_int_equal(taut_fit_line(x, y, n, &f), TAUT_OK);
        gsl_fit_linear(x, 1, y, 1, n, &c0, &c1, &v00, &v01, &v11, &rss);
        tt_near(f.slope, c1, 1e-9, "slope");
        tt_near(f.intercept, c0, 1e-9, "intercept");
        tt_near(f.u_slope, sqrt(v11), 1e-7, "u slope");
    }
}

static void too_few_points_or_no_spread_leave_the_output_untouched(void **state)
{
    (void)state;
    const double x[4] = {1, 1, 1, 1}, zero[4] = {0}, y[4] = {1, 2, 3, 4};
    struct taut_fit_line f = {.slope = 42}, line;
    struct taut_fit_errors e;
    assert_int_equal(taut_fit_line(x, y, 2, &f), TAUT_E_FEW);
    assert_int_equal(taut_fit_line(x, y, 4, &f), TAUT_E_SPREAD);
    assert_int_equal(taut_fit_origin(x, y, 1, &f), TAUT_E_FEW);
    assert_int_equal(taut_fit_origin(zero, y, 4, &f), TAUT_E_SPREAD);
    assert_int_equal(taut_fit_gls_ar1(y, y, 4, 1, &f), TAUT_E_ARG);
    assert_int_equal(taut_fit_gls_ar1(y, y, 2, 0.5, &f), TAUT_E_FEW);
    assert_int_equal(taut_fit_gls_ar1(x, y, 4, 0.5, &f), TAUT_E_SPREAD);
    assert_true(f.slope == 42);
    assert_int_equal(taut_fit_line(y, y, 4, &line), TAUT_OK);
    assert_int_equal(taut_fit_newey_west(y, y, 4, &line, 4, &e), TAUT_E_ARG);
    assert_int_equal(taut_fit_newey_west(x, y, 4, &line, 1, &e), TAUT_E_SPREAD);
    assert_true(isnan(taut_fit_slope_sd_ar1(y, 4, 1, 1)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(norris_line_is_right_to_nine_digits),
        cmocka_unit_test(line_through_the_origin_is_right_to_nine_digits),
        cmocka_unit_test(errors_under_autocorrelation_agree_with_the_reference),
        cmocka_unit_test(lines_agree_with_gsl_on_random_data),
        cmocka_unit_test(too_few_points_or_no_spread_leave_the_output_untouched),
    };
    return cmocka_run_group_tests_name("fit", tests, NULL, NULL);
}
