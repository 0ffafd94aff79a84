/* The rise model against NIST StRD Misra1a, the mpmath solutions of rise_fit.json (confirmed by R nls, GSL and scipy), and
 * GSL's nonlinear least squares; the Cramer-Rao bound against published behaviour. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_blas.h>
#include <gsl/gsl_multifit_nlinear.h>

#include "taut/rise.h"
#include "tt_csv.h"
#include "tt_json.h"
#include "tt_random.h"

enum { MOST = 400 };

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

/* source: NIST StRD Misra1a y = b1 (1 - exp(-b2 x)): a pure saturation; parameters 1e-6, deviations 1e-5 */
static void misra1a_is_a_saturation_without_start_values(void **state)
{
    (void)state;
    double x[MOST], y[MOST], work[TAUT_RISE_WORK * MOST];
    size_t n = columns("nist_misra1a.csv", "x", "y", x, y);
    const char *json = tt_json_load("nist_certified.json");
    struct taut_rise_fit f;
    assert_int_equal(taut_rise_fit(x, y, n, 0, work, &f), TAUT_OK);
    double b2 = tt_json_number(json, "Misra1a/b2/certified");
    tt_near(f.amplitude, tt_json_number(json, "Misra1a/b1/certified"), 1e-6, "b1");
    tt_near(1 / f.tau_s, b2, 1e-6, "b2");
    tt_near(f.u_amplitude, tt_json_number(json, "Misra1a/b1/certified_sd"), 1e-5, "sd of b1");
    tt_near(f.u_tau_s / (f.tau_s * f.tau_s), tt_json_number(json, "Misra1a/b2/certified_sd"), 1e-5, "sd of b2");
    tt_near(f.rss, tt_json_number(json, "Misra1a/certified_rss"), 1e-6, "rss");
    tt_near(f.residual_sd, tt_json_number(json, "Misra1a/certified_residual_sd"), 1e-5, "sd");
}

/* source: mpmath, R nls, scipy; parameters 1e-3 of their error, errors 1e-4. Set b has no leak. */
static void rise_with_leak_agrees_with_the_reference(void **state)
{
    (void)state;
    double t[MOST], p[MOST], work[TAUT_RISE_WORK * MOST];
    const char *json = tt_json_load("rise_fit.json");
    static const char *const files[] = {"rise_fit_a.csv", "rise_fit_b.csv"};
    for (size_t k = 0; k < 2; k++) {
        size_t n = columns(files[k], "t_s", "p_mbar", t, p);
        const char *at = strstr(json, files[k]);
        const char *errors = strstr(at, "standard_errors");
        struct taut_rise_fit f;
        assert_int_equal(taut_rise_fit(t, p, n, TAUT_RISE_FREE_START | TAUT_RISE_FREE_RATE, work, &f), TAUT_OK);
        double u[4];
        const char *read = strchr(errors, '[') + 1;
        for (int i = 0; i < 4; i++) {
            read += strspn(read, " \n,\"");
            char *end;
            u[i] = strtod(read, &end);
            read = end + 1;
        }
        tt_near_abs(f.p0, tt_json_number(at, "b0_mbar"), 1e-3 * u[0], "p0");
        tt_near_abs(f.amplitude, tt_json_number(at, "b1_mbar"), 1e-3 * u[1], "amplitude");
        tt_near_abs(f.tau_s, tt_json_number(at, "b2_s"), 1e-3 * u[2], "tau");
        tt_near_abs(f.rate_per_s, tt_json_number(at, "b3_mbar_per_s"), 1e-3 * u[3], "rate");
        tt_near(f.u_p0, u[0], 1e-4, "u p0");
        tt_near(f.u_amplitude, u[1], 1e-4, "u amplitude");
        tt_near(f.u_tau_s, u[2], 1e-4, "u tau");
        tt_near(f.u_rate_per_s, u[3], 1e-4, "u rate");
        tt_near(f.rss, tt_json_number(at, "rss"), 1e-9, "rss");
        assert_true(f.favoured);
        assert_true(f.runs_z_line < -3 && f.runs_z > -3);
        if (k == 1)
            assert_true(fabs(f.rate_per_s) < 2 * f.u_rate_per_s); /* no leak: not significant */
    }
}

/* source: closed form, exact data */
static void exact_curves_give_back_their_parameters(void **state)
{
    (void)state;
    struct tt_csv table;
    double t[MOST], p[MOST], work[TAUT_RISE_WORK * MOST];
    double p0 = NAN, amplitude = NAN, tau_s = NAN, rate = NAN;
    tt_csv_open(&table, "rise_exponential_plus_linear.csv");
    while (tt_csv_next(&table)) {
        p0 = tt_csv_number(&table, "p0_mbar");
        amplitude = tt_csv_number(&table, "amplitude_mbar");
        tau_s = tt_csv_number(&table, "tau_s");
        rate = tt_csv_number(&table, "leak_rate_mbar_per_s");
        double time_s = tt_csv_number(&table, "t_s");
        double model = p0 - amplitude * expm1(-time_s / tau_s) + rate * time_s;
        tt_near(model, tt_csv_number(&table, "p_mbar"), 1e-9, "the formula itself");
        for (int i = 0; i < 100; i++) {
            t[i] = 5 * i;
            p[i] = p0 - amplitude * expm1(-t[i] / tau_s) + rate * t[i] + 1e-7 * (i % 3 - 1);
        }
        struct taut_rise_fit f;
        assert_int_equal(taut_rise_fit(t, p, 100, TAUT_RISE_FREE_START | TAUT_RISE_FREE_RATE, work, &f), TAUT_OK);
        if (amplitude > 0)
            tt_near(f.tau_s, tau_s, 1e-4, "tau");
        tt_near_abs(f.rate_per_s, rate, 1e-7, "rate");
    }
    tt_csv_close(&table);
}

struct data {
    const double *t, *p;
    size_t n;
};

static int gsl_residuals(const gsl_vector *x, void *context, gsl_vector *f)
{
    const struct data *d = context;
    double p0 = gsl_vector_get(x, 0), a = gsl_vector_get(x, 1), tau = exp(gsl_vector_get(x, 2)), r = gsl_vector_get(x, 3);
    for (size_t i = 0; i < d->n; i++)
        gsl_vector_set(f, i, p0 - a * expm1(-d->t[i] / tau) + r * d->t[i] - d->p[i]);
    return GSL_SUCCESS;
}

static double gsl_rate(const struct data *d, const double start[4], double *rss)
{
    gsl_multifit_nlinear_parameters parameters = gsl_multifit_nlinear_default_parameters();
    gsl_multifit_nlinear_workspace *w = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &parameters, d->n, 4);
    gsl_multifit_nlinear_fdf problem = {.f = gsl_residuals, .n = d->n, .p = 4, .params = (void *)(uintptr_t)d};
    gsl_vector_const_view x = gsl_vector_const_view_array(start, 4);
    gsl_multifit_nlinear_init(&x.vector, &problem, w);
    int info;
    gsl_multifit_nlinear_driver(200, 1e-12, 1e-12, 1e-12, NULL, NULL, &info, w);
    gsl_blas_ddot(gsl_multifit_nlinear_residual(w), gsl_multifit_nlinear_residual(w), rss);
    double rate = gsl_vector_get(gsl_multifit_nlinear_position(w), 3);
    gsl_multifit_nlinear_free(w);
    return rate;
}

static void fits_are_as_good_as_gsl_started_at_the_truth(void **state)
{
    (void)state;
    double t[300], p[300], work[TAUT_RISE_WORK * 300];
    for (uint64_t seed = 1; seed <= 40; seed++) {
        struct tt_random r = tt_random_seed(seed);
        const double truth[4] = {5, 1 + 4 * tt_random_uniform(&r), log(30 + 150 * tt_random_uniform(&r)),
                                 0.01 * tt_random_uniform(&r)};
        for (int i = 0; i < 300; i++) {
            t[i] = 2 * i;
            p[i] = truth[0] - truth[1] * expm1(-t[i] / exp(truth[2])) + truth[3] * t[i] + 0.02 * tt_random_normal(&r);
        }
        struct data d = {t, p, 300};
        struct taut_rise_fit f;
        double rss, rate = gsl_rate(&d, truth, &rss);
        assert_int_equal(taut_rise_fit(t, p, 300, TAUT_RISE_FREE_START | TAUT_RISE_FREE_RATE, work, &f), TAUT_OK);
        assert_true(f.rss <= rss * (1 + 1e-9));
        tt_near_abs(f.rate_per_s, rate, 1e-3 * f.u_rate_per_s, "rate");
    }
}

static void a_plain_line_is_recognised_as_a_fit_that_only_looks_converged(void **state)
{
    (void)state;
    double t[200], p[200], work[TAUT_RISE_WORK * 200];
    int favoured = 0;
    for (uint64_t seed = 1; seed <= 200; seed++) {
        struct tt_random r = tt_random_seed(seed);
        for (int i = 0; i < 200; i++) {
            t[i] = i;
            p[i] = 5 + 0.003 * t[i] + 0.05 * tt_random_normal(&r);
        }
        struct taut_rise_fit f;
        enum taut_status status = taut_rise_fit(t, p, 200, TAUT_RISE_FREE_START | TAUT_RISE_FREE_RATE, work, &f);
        favoured += status == TAUT_OK && f.favoured;
    }
    assert_true(favoured <= 12); /* 6 % of plain lines; AICc alone takes a transient in about 10 % */
}

static void bad_input_is_refused_and_leaves_the_output_untouched(void **state)
{
    (void)state;
    double t[10], p[10], flat[10], work[TAUT_RISE_WORK * 10];
    for (int i = 0; i < 10; i++) {
        t[i] = i;
        p[i] = i * i;
        flat[i] = 7;
    }
    struct taut_rise_fit f = {.tau_s = 42};
    const unsigned both = TAUT_RISE_FREE_START | TAUT_RISE_FREE_RATE;
    assert_int_equal(taut_rise_fit(t, p, 10, 4, work, &f), TAUT_E_ARG);
    assert_int_equal(taut_rise_fit(t, p, 5, both, work, &f), TAUT_E_FEW);
    assert_int_equal(taut_rise_fit(t, flat, 10, both, work, &f), TAUT_E_SPREAD);
    assert_int_equal(taut_rise_fit(flat, p, 10, both, work, &f), TAUT_E_SPREAD);
    assert_true(f.tau_s == 42);
}

/* from memory of the Cramer-Rao factors of the noise study; textbook for the line */
static void least_error_grows_as_the_record_shortens_against_tau(void **state)
{
    (void)state;
    static const struct {
        double ratio, unknown, known;
    } rows[] = {
        {0.5, 368, 16 },
        {1,   93,  7.8},
        {2,   24,  4.1},
        {3,   11,  2.8},
        {4,   6.8, 2.3},
        {5,   4.8, 1.9},
        {8,   2.6, 1.5},
        {10,  2.1, 1.4},
        {20,  1.4, 1.2}
    };
    double line = taut_rise_least_sd(1, 100, NAN, TAUT_RISE_NO_TRANSIENT);
    tt_near(line, sqrt(12 / 1e6), 1e-4, "line");
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        double tau_s = 100 / rows[i].ratio;
        tt_near(taut_rise_least_sd(1, 100, tau_s, TAUT_RISE_TAU_UNKNOWN) / line, rows[i].unknown, 0.05, "tau unknown");
        tt_near(taut_rise_least_sd(1, 100, tau_s, TAUT_RISE_TAU_KNOWN) / line, rows[i].known, 0.05, "tau known");
    }
    assert_true(isnan(taut_rise_least_sd(0, 100, 10, TAUT_RISE_TAU_KNOWN)));
    assert_true(isnan(taut_rise_least_sd(1, 100, NAN, TAUT_RISE_TAU_KNOWN)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(misra1a_is_a_saturation_without_start_values),
        cmocka_unit_test(rise_with_leak_agrees_with_the_reference),
        cmocka_unit_test(exact_curves_give_back_their_parameters),
        cmocka_unit_test(fits_are_as_good_as_gsl_started_at_the_truth),
        cmocka_unit_test(a_plain_line_is_recognised_as_a_fit_that_only_looks_converged),
        cmocka_unit_test(bad_input_is_refused_and_leaves_the_output_untouched),
        cmocka_unit_test(least_error_grows_as_the_record_shortens_against_tau),
    };
    return cmocka_run_group_tests_name("rise", tests, NULL, NULL);
}
