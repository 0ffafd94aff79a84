/* A bag in three lines for drop-test studies: pump-down, shut-off at t = 0, transient and leak, noise, converter. */
#ifndef TT_BAG_H
#define TT_BAG_H

#include <math.h>
#include <stdint.h>

#include "taut/droptest.h"
#include "taut/units.h"
#include "tt_random.h"

struct tt_bag {
    double base_mbar, leak_mbar_per_min, transient_mbar, tau_s; /* tau 0: none */
    double fall_mbar_per_min;                                   /* of the pump-down that shut-off ends; positive */
    double sigma_mbar, phi, step_mbar;                          /* step 0: none */
    double hz, before_s;
    bool pumped; /* the valve did not close: the base stays */
};

static const struct tt_bag tt_bag_usual = {
    .base_mbar = 8, .fall_mbar_per_min = 40, .sigma_mbar = 0.1, .phi = 0.9, .hz = 10, .before_s = 40};

static inline double tt_bag_mbar(const struct tt_bag *bag, double t_s)
{
    if (t_s < 0)
        return bag->base_mbar - bag->fall_mbar_per_min * t_s / 60;
    if (bag->pumped)
        return bag->base_mbar;
    double p = bag->base_mbar + bag->leak_mbar_per_min * t_s / 60;
    return bag->tau_s > 0 ? p - bag->transient_mbar * expm1(-t_s / bag->tau_s) : p;
}

static inline struct taut_sweep tt_bag_sweep(double mbar)
{
    struct taut_sweep sweep = {.present = 1u << TAUT_ROLE_VENT};
    sweep.sample[TAUT_ROLE_VENT] =
        (struct taut_sample){.value = taut_sample_round_pa(mbar * TAUT_PA_PER_MBAR), .quality = TAUT_QUALITY_GOOD};
    return sweep;
}

static inline double tt_bag_read(const struct tt_bag *bag, double t_s, struct tt_noise *noise, struct tt_random *r)
{
    double p = tt_bag_mbar(bag, t_s) + tt_noise_next(noise, r);
    return bag->step_mbar > 0 ? bag->step_mbar * floor(p / bag->step_mbar + 0.5) : p;
}

/* Run one test from its seed; returns seconds from shut-off to the decision. */
static inline double tt_bag_run(const struct tt_bag *bag, const struct taut_droptest_rule *rule, uint64_t seed,
                                struct taut_droptest *test)
{
    struct tt_random r = tt_random_seed(seed);
    struct tt_noise noise = tt_noise_start(&r, bag->phi, bag->sigma_mbar);
    double shift = bag->step_mbar * tt_random_uniform(&r); /* where the base lies between two steps is chance */
    struct tt_bag moved = *bag;
    moved.base_mbar += shift;
    if (taut_droptest_init(test, rule))
        return NAN;
    long from = -(long)(bag->before_s * bag->hz), to = (long)((rule->settle_min_s + rule->test_s + 10 + 2 / bag->hz) * bag->hz);
    for (long i = from; i <= to; i++) {
        double t_s = (double)i / bag->hz;
        if (i == 0)
            taut_droptest_isolate(test, 0);
        struct taut_sweep sweep = tt_bag_sweep(tt_bag_read(&moved, t_s, &noise, &r));
        if (taut_droptest_push(test, taut_ns(t_s), &sweep) == TAUT_STAGE_DECIDED)
            return t_s;
    }
    taut_droptest_stop(test, TAUT_WHY_STOPPED);
    return (double)to / bag->hz;
}

static inline struct taut_droptest_rule tt_rule(double limit_mbar_per_min, enum taut_test_mode mode, double test_s)
{
    return (struct taut_droptest_rule){.limit_pa_per_s = limit_mbar_per_min * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
                                       .rise_limit_pa = NAN,
                                       .rise_within_s = NAN,
                                       .mode = mode,
                                       .risk = 0.01,
                                       .settle_min_s = 0,
                                       .settle_max_s = 300,
                                       .test_min_s = 20,
                                       .test_s = test_s,
                                       .volume_m3 = NAN,
                                       .u_volume_m3 = NAN};
}

#endif
