/* Drawdown: the constant-speed curve (pump_down.csv, pump_down_time.csv, pump_equilibrium.csv) and what is said of
 * made-up bags with known truth, over white and correlated noise. Noise sizes: common practice, no source. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>

#include "taut/drawdown.h"
#include "taut/units.h"
#include "tt_csv.h"

static void curve_meets_the_table(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "pump_down.csv");
    while (tt_csv_next(&table)) {
        double tau = tt_csv_number(&table, "V_L") / tt_csv_number(&table, "S_L_per_s");
        tt_near(tau, tt_csv_number(&table, "tau_s"), 1e-12, "tau");
        double p = taut_drawdown_pressure_pa(tt_csv_number(&table, "p0_mbar") * 100,
                                             tt_csv_number(&table, "p_ultimate_mbar") * 100, tau, tt_csv_number(&table, "t_s"));
        tt_near(p / 100, tt_csv_number(&table, "p_mbar"), 1e-9, "pressure");
    }
    tt_csv_close(&table);
}

static void time_to_target_meets_the_table(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "pump_down_time.csv");
    while (tt_csv_next(&table)) {
        double t = taut_drawdown_time_s(tt_csv_number(&table, "p0_mbar"), tt_csv_number(&table, "p_target_mbar"),
                                        tt_csv_number(&table, "p_ultimate_mbar"),
                                        tt_csv_number(&table, "V_L") / tt_csv_number(&table, "S_L_per_s"));
        tt_near(t, tt_csv_number(&table, "t_s"), 1e-9, "time");
    }
    tt_csv_close(&table);
    assert_true(taut_drawdown_time_s(900, 1000, 0, 10) == 0);
    assert_true(isinf(taut_drawdown_time_s(5000, 1000, 1000, 10)));
}

static void balance_meets_the_table(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "pump_equilibrium.csv");
    while (tt_csv_next(&table)) {
        double p = taut_drawdown_equilibrium_pa(tt_csv_number(&table, "p_ultimate_mbar") * 100,
                                                tt_csv_number(&table, "leak_mbar_L_per_s") * 0.1,
                                                tt_csv_number(&table, "S_L_per_s") * 1e-3);
        tt_near(p / 100, tt_csv_number(&table, "p_equilibrium_mbar"), 1e-9, "balance");
    }
    tt_csv_close(&table);
}

static void wrong_targets_are_refused(void **state)
{
    (void)state;
    struct taut_drawdown d = {.bins = 7};
    assert_int_equal(taut_drawdown_init(&d, 0, 1800), TAUT_E_ARG);
    assert_int_equal(taut_drawdown_init(&d, 1000, -1), TAUT_E_ARG);
    assert_int_equal(taut_drawdown_init(&d, (double)NAN, 1800), TAUT_E_ARG);
    assert_int_equal(d.bins, 7);
    assert_true(sizeof d <= 4096);
}

static uint64_t random_state;

static double uniform(void)
{
    uint64_t z = (random_state += 0x9E3779B97F4A7C15u);
    z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
    z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
    return (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
}

static double normal(void)
{
    double sum = 0;
    for (int i = 0; i < 12; i++)
        sum += uniform();
    return sum - 6;
}

/* Bags, pressures in mbar. */
static double small_bag(double t)
{
    return 5 + 1008 * exp(-t / 10);
}
static double large_bag(double t)
{
    return 3 + 1010 * exp(-t / 3333);
}
static double gross_leak(double t) /* 5 L at 0.3 L/s, balance at 200 mbar */
{
    return 200 + 813 * exp(-t / 17);
}
static double open_line(double t)
{
    return 700 + 313 * exp(-t / 0.5);
}
static double open_before_start(double t)
{
    (void)t;
    return 300;
}
static double loose_film(double t) /* air under the film goes first, at room pressure */
{
    return t < 60 ? 1013 - 0.02 * t : 2 + 1010 * exp(-(t - 60) / 40);
}
static double laminar_line(double t)
{
    return 1013 / (1 + t / 20);
}
static double far_bag(double t) /* 0.5 L near the gauge, 20 L behind a line of 0.02 L/s */
{
    double share = 0.02 / 0.52;
    return 1013 * ((1 - share) * exp(-t) + share * exp(-t / 1040));
}
static double two_paces(double t)
{
    return 8 + 1000 * (0.7 * exp(-t / 20) + 0.3 * exp(-t / 120));
}
static double moist_bag(double t)
{
    return 23 + 990 * exp(-t / 30);
}
static double weak_pump(double t)
{
    return 12 + 1001 * exp(-t / 30);
}
static double pump_off(double t)
{
    (void)t;
    return 1013;
}
static double opened_again(double t)
{
    return t < 100 ? small_bag(t) : fmin(1013, 5 + 10 * (t - 100));
}

enum { STATE_BIT_NOT_HOLDING = 1 << TAUT_DRAWDOWN_NOT_HOLDING, STATE_BIT_LEVELLING = 1 << TAUT_DRAWDOWN_LEVELLING };

struct story {
    const char *name;
    double (*p_mbar)(double);
    double length_s;
    enum taut_drawdown_state then; /* must be said ... */
    double by_s;                   /* ... by this time, and is the state at the end when it is the last word */
    bool last_word;
    unsigned never; /* bits of states that must not come */
};

/* By-times with room: how soon on the average and at worst is the matter of the study in tests/stat. */
static const struct story stories[] = {
    {"small bag",             small_bag,         120,  TAUT_DRAWDOWN_REACHED,     55,  true,  STATE_BIT_NOT_HOLDING | STATE_BIT_LEVELLING},
    {"large bag",             large_bag,         1800, TAUT_DRAWDOWN_FALLING,     5,   true,  STATE_BIT_NOT_HOLDING | STATE_BIT_LEVELLING},
    {"gross leak",            gross_leak,        600,  TAUT_DRAWDOWN_NOT_HOLDING, 80,  true,  1 << TAUT_DRAWDOWN_SLOW_LINE               },
    {"open line",             open_line,         600,  TAUT_DRAWDOWN_NOT_HOLDING, 25,  true,  1 << TAUT_DRAWDOWN_SLOW_LINE               },
    {"open before the start", open_before_start, 600,  TAUT_DRAWDOWN_NOT_HOLDING, 20,  true,  0                                          },
    {"loose film",            loose_film,        300,  TAUT_DRAWDOWN_REACHED,     260, true,  STATE_BIT_NOT_HOLDING | STATE_BIT_LEVELLING},
    {"laminar line",          laminar_line,      900,  TAUT_DRAWDOWN_SLOW_LINE,   120, true,  STATE_BIT_NOT_HOLDING                      },
    {"far bag",               far_bag,           900,  TAUT_DRAWDOWN_SLOW_LINE,   60,  true,  STATE_BIT_NOT_HOLDING                      },
    {"two paces",             two_paces,         600,  TAUT_DRAWDOWN_SLOW_LINE,   220, false, STATE_BIT_NOT_HOLDING                      },
    {"moist bag",             moist_bag,         600,  TAUT_DRAWDOWN_LEVELLING,   140, true,  STATE_BIT_NOT_HOLDING                      },
    {"weak pump",             weak_pump,         600,  TAUT_DRAWDOWN_LEVELLING,   200, true,  STATE_BIT_NOT_HOLDING                      },
    {"pump off",              pump_off,          300,  TAUT_DRAWDOWN_NOT_BEGUN,   10,  true,  STATE_BIT_NOT_HOLDING | STATE_BIT_LEVELLING},
    {"opened again",          opened_again,      180,  TAUT_DRAWDOWN_RISING,      108, true,  0                                          },
};

static void tell(const struct story *story, double period_s, double sd_mbar, double phi, uint64_t seed)
{
    struct taut_drawdown d;
    assert_int_equal(taut_drawdown_init(&d, 1000, 1800), TAUT_OK);
    random_state = seed;
    double noise = 0;
    bool said = false;
    for (int i = 0; i * period_s <= story->length_s; i++) {
        double t_s = i * period_s;
        noise = phi * noise + sqrt(1 - phi * phi) * sd_mbar * normal();
        const struct taut_drawdown_result *r = taut_drawdown_push(&d, taut_ns(t_s), 100 * (story->p_mbar(t_s) + noise));
        if (story->never >> r->state & 1)
            fail_msg("%s, seed %llu: %s at %.1f s", story->name, (unsigned long long)seed, taut_drawdown_word(r->state), t_s);
        said = said || r->state == story->then;
        if (t_s > story->by_s && !said)
            fail_msg("%s, seed %llu: not %s after %.1f s but %s", story->name, (unsigned long long)seed,
                     taut_drawdown_word(story->then), t_s, taut_drawdown_word(r->state));
    }
    if (story->last_word && d.result.state != story->then)
        fail_msg("%s, seed %llu: %s at the end", story->name, (unsigned long long)seed, taut_drawdown_word(d.result.state));
}

static void each_bag_is_told_for_what_it_is(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof stories / sizeof stories[0]; i++) {
        for (uint64_t seed = 1; seed <= 3; seed++) {
            tell(&stories[i], 0.1, 0.02, 0, seed);
            tell(&stories[i], 0.1, 0.1, 0.9, seed);
        }
    }
}

/* One reading a second is what a slow bus gives; the words stay the same, later. */
static void slow_readings_are_enough(void **state)
{
    (void)state;
    for (size_t i = 0; i < sizeof stories / sizeof stories[0]; i++) {
        struct story story = stories[i];
        story.by_s += 20;
        for (uint64_t seed = 1; seed <= 3; seed++)
            tell(&story, 1, 0.05, 0, seed);
    }
}

/* Truth inside twice the stated uncertainty once the curve shows it, and the foreseen time right. */
static void ultimate_pressure_and_time_are_foreseen(void **state)
{
    (void)state;
    struct taut_drawdown d;
    assert_int_equal(taut_drawdown_init(&d, 1000, 1800), TAUT_OK);
    random_state = 7;
    int seen = 0;
    const double reach_s = taut_drawdown_time_s(101300, 1000, 500, 10);
    for (int i = 0; i < 500; i++) {
        double t_s = i * 0.1;
        const struct taut_drawdown_result *r = taut_drawdown_push(&d, taut_ns(t_s), 100 * small_bag(t_s) + 5 * normal());
        if (isnan(r->ultimate_pa) || r->state == TAUT_DRAWDOWN_REACHED)
            continue;
        seen++;
        tt_near_abs(r->ultimate_pa, 500, 2 * r->u_ultimate_pa, "ultimate pressure");
        tt_near(r->tau_s, 10, 0.02, "tau");
        assert_true(r->to_target_low_s - 1 <= reach_s - t_s && reach_s - t_s <= r->to_target_high_s + 1);
        if (r->u_ultimate_pa < 200)
            tt_near_abs(r->to_target_s, reach_s - t_s, 1, "time to the target");
        assert_true(r->to_target_low_s <= r->to_target_s && r->to_target_s <= r->to_target_high_s);
    }
    assert_true(seen > 200);
    tt_near(d.result.early_tau_s, 10, 0.05, "early tau");
}

/* ---- a second opinion on the fit: GSL's nonlinear least squares over the same readings ------------------------------ */

enum { GSL_POINTS = 60 };
static double gsl_t_s[GSL_POINTS], gsl_p_pa[GSL_POINTS];
static int gsl_first;

static int gsl_residual(const gsl_vector *x, void *data, gsl_vector *f)
{
    (void)data;
    for (int i = gsl_first; i < GSL_POINTS; i++) {
        double e = exp(-gsl_vector_get(x, 2) * (gsl_t_s[i] - gsl_t_s[gsl_first]));
        gsl_vector_set(f, (size_t)(i - gsl_first), gsl_vector_get(x, 0) + gsl_vector_get(x, 1) * e - gsl_p_pa[i]);
    }
    return GSL_SUCCESS;
}

static void the_fit_agrees_with_gsl(void **state)
{
    (void)state;
    struct taut_drawdown d;
    assert_int_equal(taut_drawdown_init(&d, 1000, 1800), TAUT_OK);
    random_state = 11;
    for (int i = 0; i < GSL_POINTS; i++) { /* one reading a second: every bin is one reading */
        gsl_t_s[i] = i;
        gsl_p_pa[i] = 100 * (20 + 990 * exp(-i / 12.0)) + 30 * normal();
        taut_drawdown_push(&d, taut_ns(i), gsl_p_pa[i]);
    }
    gsl_first = GSL_POINTS / 2; /* the judged half: the fall began with the first reading */
    gsl_multifit_nlinear_parameters how = gsl_multifit_nlinear_default_parameters();
    gsl_multifit_nlinear_workspace *work = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, GSL_POINTS - 30, 3);
    gsl_multifit_nlinear_fdf problem = {.f = gsl_residual, .n = GSL_POINTS - 30, .p = 3};
    gsl_vector *x = gsl_vector_alloc(3);
    gsl_vector_set(x, 0, 1500);
    gsl_vector_set(x, 1, 9000);
    gsl_vector_set(x, 2, 0.1);
    int info;
    assert_int_equal(gsl_multifit_nlinear_init(x, &problem, work), GSL_SUCCESS);
    assert_int_equal(gsl_multifit_nlinear_driver(200, 1e-12, 1e-12, 0, NULL, NULL, &info, work), GSL_SUCCESS);
    const gsl_vector *best = gsl_multifit_nlinear_position(work);
    tt_near(d.result.ultimate_pa, gsl_vector_get(best, 0), 1e-5, "ultimate pressure");
    tt_near(d.result.tau_s, 1 / gsl_vector_get(best, 2), 1e-5, "tau");
    gsl_multifit_nlinear_free(work);
    gsl_vector_free(x);
}

static void readings_that_are_no_numbers_are_passed_over(void **state)
{
    (void)state;
    struct taut_drawdown a, b;
    assert_int_equal(taut_drawdown_init(&a, 1000, 1800), TAUT_OK);
    assert_int_equal(taut_drawdown_init(&b, 1000, 1800), TAUT_OK);
    taut_drawdown_push(&b, -5, (double)NAN);
    for (int i = 0; i < 300; i++) {
        double p = 100 * small_bag(i * 0.1);
        taut_drawdown_push(&a, taut_ns(i * 0.1), p);
        taut_drawdown_push(&b, taut_ns(i * 0.1), p);
        taut_drawdown_push(&b, taut_ns(i * 0.1), (double)INFINITY);
        taut_drawdown_push(&b, taut_ns(i * 0.1 - 5), 7);
    }
    assert_int_equal(a.result.state, b.result.state);
    assert_true(a.result.ultimate_pa == b.result.ultimate_pa && a.result.p_pa == b.result.p_pa);
}

static void words_and_sentences_are_complete(void **state)
{
    (void)state;
    for (int i = 0; i < TAUT_DRAWDOWN_STATES; i++) {
        assert_true(strlen(taut_drawdown_word((enum taut_drawdown_state)i)) > 3);
        assert_true(strlen(taut_drawdown_text((enum taut_drawdown_state)i)) < 256);
        for (int j = 0; j < i; j++)
            assert_string_not_equal(taut_drawdown_word((enum taut_drawdown_state)i),
                                    taut_drawdown_word((enum taut_drawdown_state)j));
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(curve_meets_the_table),
        cmocka_unit_test(time_to_target_meets_the_table),
        cmocka_unit_test(balance_meets_the_table),
        cmocka_unit_test(wrong_targets_are_refused),
        cmocka_unit_test(each_bag_is_told_for_what_it_is),
        cmocka_unit_test(slow_readings_are_enough),
        cmocka_unit_test(ultimate_pressure_and_time_are_foreseen),
        cmocka_unit_test(the_fit_agrees_with_gsl),
        cmocka_unit_test(readings_that_are_no_numbers_are_passed_over),
        cmocka_unit_test(words_and_sentences_are_complete),
    };
    return cmocka_run_group_tests_name("drawdown", tests, NULL, NULL);
}
