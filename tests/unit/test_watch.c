/* The watch on simulated readings: what alarms, what must not, and that no bad reading counts as tight. Noise: AR(1)
 * of 0.1 mbar with phi 0.9 at 10 Hz, an assumption; no real bag was measured for it. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "taut/noise.h"
#include "taut/units.h"
#include "taut/watch.h"

#define MBAR         TAUT_PA_PER_MBAR
#define MBAR_PER_MIN TAUT_PA_PER_S_PER_MBAR_PER_MIN

/* A bag that does what `level` says, read every period_s through a noisy sensor. */
struct bench {
    struct taut_watch watch;
    struct taut_sensor vent, manifold;
    double t_s, period_s;
    bool has_manifold;
};

static const struct taut_watch_rule usual = {.false_alarm_h = 1000,
                                             .leak_pa_per_s = 2 * MBAR_PER_MIN,
                                             .step_pa = MBAR,
                                             .tell_s = 30,
                                             .below_pa = NAN,
                                             .clamp_limit_pa_per_s = 20 * MBAR_PER_MIN,
                                             .volume_m3 = NAN};

static struct bench bench_at(const struct taut_watch_rule *rule, double period_s, uint64_t seed)
{
    struct bench b = {.period_s = period_s};
    const struct taut_sensor_spec spec = {.sd = 0.1 * MBAR, .correlation_s = taut_noise_correlation_s(0.9, 0.1)};
    taut_sensor_init(&b.vent, &spec, seed, 1);
    taut_sensor_init(&b.manifold, &spec, seed, 2);
    assert_int_equal(taut_watch_init(&b.watch, rule), TAUT_OK);
    return b;
}

static struct taut_sample good(double pa)
{
    return (struct taut_sample){.value = taut_sample_round_pa(pa), .quality = TAUT_QUALITY_GOOD};
}

static const struct taut_watch_finding *read_once(struct bench *b, double vent_pa, double manifold_pa)
{
    struct taut_sweep sweep = {.present = 1u << TAUT_ROLE_VENT};
    sweep.sample[TAUT_ROLE_VENT] = good(taut_sensor_step(&b->vent, vent_pa, b->period_s));
    if (b->has_manifold) {
        sweep.present |= 1u << TAUT_ROLE_MANIFOLD;
        sweep.sample[TAUT_ROLE_MANIFOLD] = good(taut_sensor_step(&b->manifold, manifold_pa, b->period_s));
    }
    b->t_s += b->period_s;
    return taut_watch_push(&b->watch, taut_ns(b->t_s), &sweep);
}

static bool alarmed(const struct taut_watch_finding *f)
{
    return f->rate_alarm || f->level_alarm;
}

/* Hold at 5 mbar for so long; fails the test on an alarm. */
static void quiet(struct bench *b, double seconds)
{
    for (double end = b->t_s + seconds; b->t_s < end;)
        assert_false(alarmed(read_once(b, 5 * MBAR, 2 * MBAR)));
}

static struct bench learnt(double period_s, uint64_t seed)
{
    struct bench b = bench_at(&usual, period_s, seed);
    quiet(&b, 600);
    taut_watch_hold(&b.watch, TAUT_HOLD_PUMPED, taut_ns(b.t_s));
    return b;
}

/* Seconds from now until an alarm on a bag whose pressure rises at `rate` towards `rise`; -1: none within 600 s. */
static double until_alarm(struct bench *b, double rate_pa_per_s, double rise_pa, double manifold_share)
{
    double from = b->t_s;
    while (b->t_s < from + 600) {
        double up =
            isinf(rise_pa) ? rate_pa_per_s * (b->t_s - from) : rise_pa * (1 - exp(-rate_pa_per_s * (b->t_s - from) / rise_pa));
        if (alarmed(read_once(b, 5 * MBAR + up, 2 * MBAR + manifold_share * up)))
            return b->t_s - from;
    }
    return -1;
}

static void a_quiet_bag_raises_no_alarm_in_ten_hours(void **state)
{
    (void)state;
    struct bench b = learnt(0.1, 11);
    quiet(&b, 36000);
    assert_int_equal(b.watch.finding.times, 0);
}

static void a_leak_that_matters_is_told_in_time(void **state)
{
    (void)state;
    static const struct {
        double rate, within_s;
    } cases[] = {
        {2,   30},
        {10,  10},
        {100, 4 }
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        for (uint64_t seed = 1; seed <= 10; seed++) {
            struct bench b = learnt(0.1, seed);
            quiet(&b, 300);
            double delay = until_alarm(&b, cases[i].rate * MBAR_PER_MIN, INFINITY, 0);
            if (!(delay >= 0 && delay <= cases[i].within_s))
                fail_msg("%g mbar/min told after %g s, seed %d", cases[i].rate, delay, (int)seed);
            const struct taut_watch_finding *f = &b.watch.finding;
            assert_int_equal(f->cause, TAUT_CAUSE_LEAK);
            assert_true(strlen(f->evidence) > 10);
            assert_true(f->since_s >= 0 && f->since_s < cases[i].within_s + 10);
        }
    }
}

static void a_step_under_the_pump_is_told_and_ends_when_the_leak_is_shut(void **state)
{
    (void)state;
    struct bench b = learnt(0.1, 3);
    quiet(&b, 60);
    double delay = until_alarm(&b, 4 * MBAR_PER_MIN, 2 * MBAR, 0);
    assert_true(delay > 0 && delay < 40);
    for (double end = b.t_s + 120; b.t_s < end;)
        assert_true(alarmed(read_once(&b, 7 * MBAR, 2 * MBAR)));
    for (double end = b.t_s + 30; b.t_s < end;)
        read_once(&b, 5 * MBAR, 2 * MBAR);
    assert_false(alarmed(&b.watch.finding));
    quiet(&b, 600);
    assert_true(until_alarm(&b, 4 * MBAR_PER_MIN, 2 * MBAR, 0) > 0); /* no blindness afterwards */
    assert_int_equal(b.watch.finding.times, 2);
}

static void a_manifold_that_rises_too_points_at_the_supply(void **state)
{
    (void)state;
    struct bench b = bench_at(&usual, 0.1, 5);
    b.has_manifold = true;
    quiet(&b, 600);
    taut_watch_hold(&b.watch, TAUT_HOLD_PUMPED, taut_ns(b.t_s));
    quiet(&b, 60);
    assert_true(until_alarm(&b, 20 * MBAR_PER_MIN, INFINITY, 1.0) > 0);
    for (int i = 0; i < 100; i++)
        read_once(&b, 12 * MBAR, 9 * MBAR);
    assert_int_equal(b.watch.finding.cause, TAUT_CAUSE_SUPPLY);
}

static void single_wild_readings_raise_no_alarm(void **state)
{
    (void)state;
    struct bench b = learnt(0.1, 7);
    for (int i = 0; i < 6000; i++)
        assert_false(alarmed(read_once(&b, i % 100 == 50 ? 60 * MBAR : 5 * MBAR, 0)));
}

static void bad_readings_are_named_and_leave_no_rate_behind(void **state)
{
    (void)state;
    static const struct {
        enum taut_reason reason;
        enum taut_cause cause;
    } cases[] = {
        {TAUT_REASON_NO_ANSWER,    TAUT_CAUSE_COMMUNICATION},
        {TAUT_REASON_LINE_DOWN,    TAUT_CAUSE_COMMUNICATION},
        {TAUT_REASON_FROZEN,       TAUT_CAUSE_SENSOR       },
        {TAUT_REASON_NOT_A_NUMBER, TAUT_CAUSE_SENSOR       },
        {TAUT_REASON_LOOP_LOW,     TAUT_CAUSE_SENSOR       }
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct bench b = learnt(0.1, 13);
        quiet(&b, 20);
        for (int k = 0; k < 50; k++) {
            struct taut_sweep sweep = {.present = 1u << TAUT_ROLE_VENT};
            sweep.sample[TAUT_ROLE_VENT] = (struct taut_sample){NAN, TAUT_QUALITY_BAD, cases[i].reason};
            b.t_s += 0.1;
            taut_watch_push(&b.watch, taut_ns(b.t_s), &sweep);
        }
        const struct taut_watch_finding *f = &b.watch.finding;
        assert_int_equal(f->cause, cases[i].cause);
        assert_true(isnan(f->rate_pa_per_s));
        assert_true(f->blind_s > 4.8 && f->blind_s < 5.2);
        quiet(&b, 60);
        assert_int_equal(f->cause, TAUT_CAUSE_NONE);
        assert_true(until_alarm(&b, 10 * MBAR_PER_MIN, INFINITY, 0) > 0);
    }
}

static void any_sampling_rate_will_do(void **state)
{
    (void)state;
    static const double periods[] = {2.0, 1.0, 0.3, 0.05, 0.02};
    for (size_t i = 0; i < sizeof periods / sizeof periods[0]; i++) {
        struct bench b = learnt(periods[i], 17);
        quiet(&b, 600);
        double delay = until_alarm(&b, 5 * MBAR_PER_MIN, INFINITY, 0);
        if (!(delay > 0 && delay < 25))
            fail_msg("every %g s: told after %g s", periods[i], delay);
    }
}

static void without_a_hold_the_watch_is_slow_but_not_blind(void **state)
{
    (void)state;
    struct bench b = bench_at(&usual, 0.1, 19);
    taut_watch_hold(&b.watch, TAUT_HOLD_PUMPED, 0);
    quiet(&b, 30);
    double delay = until_alarm(&b, 20 * MBAR_PER_MIN, INFINITY, 0);
    assert_true(delay > 0 && delay < 30);
}

static void a_clamped_bag_may_rise_up_to_its_own_limit(void **state)
{
    (void)state;
    struct bench b = learnt(0.1, 23);
    taut_watch_hold(&b.watch, TAUT_HOLD_CLAMPED, taut_ns(b.t_s));
    assert_true(until_alarm(&b, 15 * MBAR_PER_MIN, INFINITY, 0) < 0);
    b = learnt(0.1, 23);
    taut_watch_hold(&b.watch, TAUT_HOLD_CLAMPED, taut_ns(b.t_s));
    double delay = until_alarm(&b, 40 * MBAR_PER_MIN, INFINITY, 0);
    assert_true(delay > 0 && delay < 15);
}

static void the_plain_limit_holds_in_every_hold(void **state)
{
    (void)state;
    struct taut_watch_rule rule = usual;
    rule.below_pa = 10 * MBAR;
    struct bench b = bench_at(&rule, 0.1, 29);
    read_once(&b, 5 * MBAR, 0);
    assert_false(b.watch.finding.limit_alarm);
    read_once(&b, 12 * MBAR, 0);
    assert_true(b.watch.finding.limit_alarm);
}

static void a_check_while_isolated_tells_a_leak_from_a_tight_bag(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 5; seed++) {
        struct bench b = bench_at(&usual, 0.1, seed);
        b.has_manifold = true;
        quiet(&b, 600);
        taut_watch_hold(&b.watch, TAUT_HOLD_PUMPED, taut_ns(b.t_s));
        quiet(&b, 120);
        /* tight: the bag stays, the relieved manifold falls */
        taut_watch_hold(&b.watch, TAUT_HOLD_ISOLATED, taut_ns(b.t_s));
        for (int i = 0; i < 300; i++)
            assert_false(alarmed(read_once(&b, 5 * MBAR, 1 * MBAR)));
        assert_int_equal(taut_watch_last_check(&b.watch)->verdict, TAUT_CHECK_TIGHT);
        assert_true(taut_watch_last_check(&b.watch)->needed_s < 30);
        taut_watch_hold(&b.watch, TAUT_HOLD_PUMPED, taut_ns(b.t_s));
        quiet(&b, 120);
        assert_int_equal(taut_watch_last_check(&b.watch)->verdict, TAUT_CHECK_TIGHT); /* kept for the record */
        /* 4 mbar/min that the pump had hidden */
        taut_watch_hold(&b.watch, TAUT_HOLD_ISOLATED, taut_ns(b.t_s));
        for (int i = 0; i < 300; i++)
            read_once(&b, 5 * MBAR + 4 * MBAR_PER_MIN * 0.1 * i, 1 * MBAR);
        const struct taut_watch_check *check = taut_watch_last_check(&b.watch);
        assert_int_equal(check->verdict, TAUT_CHECK_LEAK);
        assert_true(fabs(check->rate_pa_per_s - 4 * MBAR_PER_MIN) < 4 * check->u_rate_pa_per_s);
        assert_true(alarmed(&b.watch.finding));
    }
}

static void a_check_on_a_bag_that_is_still_pumped_says_nothing(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 20; seed++) {
        struct bench b = bench_at(&usual, 0.1, seed);
        b.has_manifold = true;
        quiet(&b, 600);
        taut_watch_hold(&b.watch, TAUT_HOLD_PUMPED, taut_ns(b.t_s));
        quiet(&b, 120);
        taut_watch_hold(&b.watch, TAUT_HOLD_ISOLATED, taut_ns(b.t_s));
        for (int i = 0; i < 600; i++)
            read_once(&b, 5 * MBAR, 2 * MBAR);
        assert_int_equal(taut_watch_last_check(&b.watch)->verdict, TAUT_CHECK_UNSURE);
    }
}

static void a_deliberate_change_of_vacuum_is_no_alarm_and_gives_a_new_baseline(void **state)
{
    (void)state;
    struct bench b = learnt(0.1, 37);
    quiet(&b, 120);
    taut_watch_hold(&b.watch, TAUT_HOLD_PUMPED, taut_ns(b.t_s)); /* the same again: commanded */
    for (int i = 0; i < 1200; i++)
        assert_false(alarmed(read_once(&b, (5 + 295 * fmin(i / 600.0, 1)) * MBAR, 0)));
    for (int i = 0; i < 3000; i++)
        assert_false(alarmed(read_once(&b, 300 * MBAR, 0)));
    assert_true(fabs(b.watch.finding.baseline_pa - 300 * MBAR) < MBAR);
    double delay = -1;
    for (int i = 0; i < 600 && delay < 0; i++)
        if (alarmed(read_once(&b, 300 * MBAR + 4 * MBAR_PER_MIN * 0.1 * i, 0)))
            delay = 0.1 * i;
    assert_true(delay > 0 && delay < 20);
}

/* Boyle: p V stays, so a rest of the volume d holds p/d. The front takes 60 % of the volume in 6 min. */
static void a_squeezed_rest_is_expected_and_a_leak_into_it_is_not(void **state)
{
    (void)state;
    struct taut_watch_rule rule = usual;
    rule.clamp_limit_pa_per_s = 1 * MBAR_PER_MIN; /* below what the squeeze makes: without the front it must alarm */
    for (int leaks = 0; leaks < 2; leaks++) {
        for (int told = 0; told < 2; told++) {
            struct bench b = bench_at(&rule, 0.1, 41);
            quiet(&b, 600);
            taut_watch_hold(&b.watch, TAUT_HOLD_CLAMPED, taut_ns(b.t_s));
            bool alarm = false;
            for (int i = 0; i < 3600; i++) {
                double dry = 1 - 0.6 * i / 3600.0;
                if (told && i % 300 == 0)
                    taut_watch_front(&b.watch, taut_ns(b.t_s), dry);
                double leaked = leaks && i > 1800 ? 4 * MBAR_PER_MIN * 0.1 * (i - 1800) : 0;
                const struct taut_watch_finding *f = read_once(&b, (5 * MBAR + leaked) / dry, 0);
                if (i > 610)
                    alarm |= alarmed(f);
            }
            assert_int_equal(alarm, leaks || !told);
        }
    }
}

static void the_plan_says_when_the_pump_hides_the_leak(void **state)
{
    (void)state;
    struct bench b = learnt(0.1, 43);
    struct taut_watch_plan plan;
    taut_watch_plan(&b.watch, NAN, &plan);
    print_message("%s\n", plan.sentence);
    assert_true(plan.kept);
    assert_true(plan.isolated_s > 5 && plan.isolated_s < 20);
    assert_true(plan.least_leak_pa_per_s < 2 * MBAR_PER_MIN);
    b.watch.rule.volume_m3 = 5e-3;
    taut_watch_plan(&b.watch, 2e-3, &plan); /* 5 L against 2 L/s: 2 mbar/min make 0.083 mbar */
    print_message("%s\n", plan.sentence);
    assert_true(fabs(plan.gauge_pa - 2 * MBAR_PER_MIN * 2.5) < 1e-9);
    assert_false(plan.kept);
    assert_non_null(strstr(plan.sentence, "isolation check"));
    assert_true(plan.check_s > 5 && plan.check_s < 60);
    b.watch.rule.volume_m3 = NAN;
    b.watch.rule.tell_s = 3;
    taut_watch_plan(&b.watch, NAN, &plan);
    print_message("%s\n", plan.sentence);
    assert_false(plan.kept);
    assert_non_null(strstr(plan.sentence, "too noisy"));
    assert_null(memchr(plan.sentence, '\0', 20));
}

static void a_copy_goes_on_as_the_original_to_the_bit(void **state)
{
    (void)state;
    struct bench a = learnt(0.1, 31), b = a;
    for (int i = 0; i < 3000; i++) {
        const struct taut_watch_finding *x = read_once(&a, (5 + 0.001 * i) * MBAR, 0);
        const struct taut_watch_finding *y = read_once(&b, (5 + 0.001 * i) * MBAR, 0);
        assert_memory_equal(x, y, sizeof *x);
    }
    assert_true(a.watch.finding.times > 0);
}

static void rules_without_a_wish_are_refused(void **state)
{
    (void)state;
    struct taut_watch watch;
    memset(&watch, 0x5a, sizeof watch);
    struct taut_watch before = watch;
    struct taut_watch_rule rule = usual;
    rule.false_alarm_h = 0;
    assert_int_equal(taut_watch_init(&watch, &rule), TAUT_E_ARG);
    rule = usual;
    rule.leak_pa_per_s = rule.step_pa = NAN;
    assert_int_equal(taut_watch_init(&watch, &rule), TAUT_E_ARG);
    assert_memory_equal(&watch, &before, sizeof watch);
}

static void the_working_storage_stays_within_sixteen_kibibytes(void **state)
{
    (void)state;
    print_message("sizeof (struct taut_watch) = %zu\n", sizeof(struct taut_watch));
    assert_true(sizeof(struct taut_watch) <= 16384);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_quiet_bag_raises_no_alarm_in_ten_hours),
        cmocka_unit_test(a_leak_that_matters_is_told_in_time),
        cmocka_unit_test(a_step_under_the_pump_is_told_and_ends_when_the_leak_is_shut),
        cmocka_unit_test(a_manifold_that_rises_too_points_at_the_supply),
        cmocka_unit_test(single_wild_readings_raise_no_alarm),
        cmocka_unit_test(bad_readings_are_named_and_leave_no_rate_behind),
        cmocka_unit_test(any_sampling_rate_will_do),
        cmocka_unit_test(without_a_hold_the_watch_is_slow_but_not_blind),
        cmocka_unit_test(a_clamped_bag_may_rise_up_to_its_own_limit),
        cmocka_unit_test(the_plain_limit_holds_in_every_hold),
        cmocka_unit_test(a_check_while_isolated_tells_a_leak_from_a_tight_bag),
        cmocka_unit_test(a_check_on_a_bag_that_is_still_pumped_says_nothing),
        cmocka_unit_test(a_deliberate_change_of_vacuum_is_no_alarm_and_gives_a_new_baseline),
        cmocka_unit_test(a_squeezed_rest_is_expected_and_a_leak_into_it_is_not),
        cmocka_unit_test(the_plan_says_when_the_pump_hides_the_leak),
        cmocka_unit_test(a_copy_goes_on_as_the_original_to_the_bit),
        cmocka_unit_test(rules_without_a_wish_are_refused),
        cmocka_unit_test(the_working_storage_stays_within_sixteen_kibibytes),
    };
    return cmocka_run_group_tests_name("watch", tests, NULL, NULL);
}
