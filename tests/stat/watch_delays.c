/* How soon a leak is told, beside the information bound (Lorden 1971, Lai 1998; from memory) for the same noise and wander
 * known exactly, and beside a fixed rule "x mbar above the mean of the hold" at no fewer false alarms. The watch has to
 * learn noise, wander and level from a hold of 600 s.  Noise 0.1 mbar, phi 0.9 at 10 Hz, assumed.
 *
 * Goal: 45 / 18 / 7 s (mean) for 0.5 / 2 / 10 mbar/min at one false alarm in 100 h with wander 0.005 mbar per root second. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tt_watch.h"

static const double rates[] = {0.5, 2, 10}; /* mbar/min */
enum { RATES = 3, RUNS_MAX = 1000 };
static const double wish_h = 100;

static int runs(void)
{
    return tt_full() ? RUNS_MAX : 250;
}

struct delays {
    double mean, median, p95;
    int missed;
};

static struct delays sort_out(double *delay, int n, int missed)
{
    double sum = 0;
    for (int i = 0; i < n; i++)
        sum += delay[i];
    qsort(delay, (size_t)n, sizeof *delay, tt_compare);
    return (struct delays){sum / n, delay[n / 2], delay[n * 95 / 100], missed};
}

static struct delays watch_delays(const struct tt_cell *cell, double leak_mbar_per_min, double rate_mbar_per_min)
{
    double delay[RUNS_MAX];
    int n = 0, missed = 0;
    for (int run = 0; run < runs(); run++) {
        struct tt_bench b;
        struct taut_watch_rule rule = tt_rule(wish_h, leak_mbar_per_min, 1);
        tt_bench_init(&b, &rule, cell, 50000 + (uint64_t)run);
        tt_bench_learn(&b, 600);
        for (int i = 0; i < 1200; i++)
            tt_bench_read(&b, 0);
        if (b.watch.lost)
            continue; /* a false alarm just before: another study counts those */
        double told = 900;
        for (int i = 1; i < 9000 && told == 900; i++) {
            const struct taut_watch_finding *f = tt_bench_read(&b, rate_mbar_per_min * TT_MBAR_PER_MIN * 0.1 * i);
            if (f->rate_alarm || f->level_alarm)
                told = 0.1 * i;
        }
        missed += told == 900;
        delay[n++] = told;
    }
    return sort_out(delay, n, missed);
}

/* Exact noise of half-second means of an AR(1) read ten times a second. */
static struct taut_noise true_noise(const struct tt_cell *cell)
{
    double sum = 0, sigma = cell->sigma_mbar * TT_MBAR;
    for (int i = 0; i < 5; i++)
        for (int k = 0; k < 5; k++)
            sum += pow(cell->phi, abs(i - k));
    double v = sigma * sigma * sum / 25, low = sigma * sigma * (1 + cell->phi) / (1 - cell->phi) / 5;
    return (struct taut_noise){0.5, sqrt(v), (low - v) / (low + v), cell->wander_mbar * TT_MBAR, INFINITY};
}

static double bound_s(const struct tt_cell *cell, double rate_mbar_per_min)
{
    struct taut_noise noise = true_noise(cell);
    double t = 10;
    for (int i = 0; i < 20; i++) /* looks of the length of the delay itself */
        t = taut_change_delay_s(&noise, TAUT_CHANGE_RAMP, rate_mbar_per_min * TT_MBAR_PER_MIN, 0, log(wish_h * 3600 / t), 3600);
    return t;
}

/* The fixed rule: x that is passed about once in wish_h by five-second means over the mean of the hold, when it takes a
 * new baseline after each alarm and every 20 h. */
static double fixed_rule_mbar(const struct tt_cell *cell, double hours)
{
    double low = 0.05, high = 20;
    for (int step = 0; step < 12; step++) {
        double x = sqrt(low * high);
        int alarms = 0;
        for (int run = 0; run * 20 < hours; run++) {
            struct taut_random random;
            taut_random_init(&random, 900, (uint64_t)run);
            struct taut_noise noise = true_noise(cell);
            double level = 0, base = noise.wander_pa_per_sqrt_s * sqrt(200.0) * taut_random_normal(&random); /* lag of the mean */
            double sd5 = sqrt(noise.sigma_pa * noise.sigma_pa * 0.5 * (1 + noise.phi) / (1 - noise.phi) / 5);
            for (int i = 0; i < 20 * 720; i++) {
                level += noise.wander_pa_per_sqrt_s * sqrt(5.0) * taut_random_normal(&random);
                if (level + sd5 * taut_random_normal(&random) - base > x * TT_MBAR) {
                    alarms++;
                    base = level;
                }
            }
        }
        if (alarms > hours / wish_h)
            low = x;
        else
            high = x;
    }
    return high;
}

static void study(const struct tt_cell *cell, double leak_mbar_per_min, const double goal_s[RATES])
{
    double x = fixed_rule_mbar(cell, tt_full() ? 10000 : 2000);
    for (int r = 0; r < RATES; r++) {
        struct delays d = watch_delays(cell, leak_mbar_per_min, rates[r]);
        print_message("wander %.3f, tuned to %g mbar/min: %4g mbar/min told after %.1f s (median %.1f, 95 %% %.1f, missed %d); "
                      "bound %.1f s; "
                      "fixed rule of %.2f mbar %.0f s\n",
                      cell->wander_mbar, leak_mbar_per_min, rates[r], d.mean, d.median, d.p95, d.missed, bound_s(cell, rates[r]),
                      x, x / rates[r] * 60);
        if (goal_s) {
            assert_true(d.mean <= goal_s[r]);
            assert_int_equal(d.missed, 0);
        }
    }
}

static void the_goals_are_met_with_a_wandering_level(void **state)
{
    (void)state;
    static const double goal_s[RATES] = {45, 18, 7};
    const struct tt_cell cell = {0.1, 0.9, 0.005};
    study(&cell, 0.5, goal_s);
}

static void less_wander_is_no_slower_and_more_is_told_honestly(void **state)
{
    (void)state;
    static const double goal_s[RATES] = {45, 18, 7};
    const struct tt_cell calm = {0.1, 0.9, 0}, restless = {0.1, 0.9, 0.02};
    study(&calm, 0.5, goal_s);
    study(&restless, 0.5, NULL);
}

static void a_rule_that_cares_for_bigger_leaks_only_is_as_quick_on_those(void **state)
{
    (void)state;
    const struct tt_cell cell = {0.1, 0.9, 0.005};
    struct delays two = watch_delays(&cell, 2, 2), ten = watch_delays(&cell, 2, 10);
    print_message("tuned to 2 mbar/min: 2 mbar/min after %.1f s, 10 mbar/min after %.1f s\n", two.mean, ten.mean);
    assert_true(two.mean <= 18 && ten.mean <= 7);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_goals_are_met_with_a_wandering_level),
        cmocka_unit_test(less_wander_is_no_slower_and_more_is_told_honestly),
        cmocka_unit_test(a_rule_that_cares_for_bigger_leaks_only_is_as_quick_on_those),
    };
    return cmocka_run_group_tests_name("watch delays", tests, NULL, NULL);
}
