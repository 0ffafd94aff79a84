/* A part of the boatyard for tests: station, recipe, readings. Everything is made from integers, so that it is the
 * same on every machine. Pressures are multiples of 0.1 Pa and temperatures of 0.001 K, as the loop rounds them. */
#ifndef TT_PART_H
#define TT_PART_H

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "taut/taut.h"

static inline void tt_channel(struct taut_station_setup *setup, enum taut_role role, const char *name)
{
    struct taut_station_channel *channel = &setup->channel[role];
    *channel =
        (struct taut_station_channel){.wired = true, .u_pa = 10, .resolution_pa = 0.1, .reference = TAUT_REFERENCE_ABSOLUTE};
    snprintf(channel->name, sizeof channel->name, "%s", name);
    snprintf(channel->serial, sizeof channel->serial, "SB-%03d", (int)role + 1);
    snprintf(channel->calibrated, sizeof channel->calibrated, "2026-03-01");
}

/* Bench A: vent, far end, manifold and a thermometer. */
static inline struct taut_station_setup tt_setup(void)
{
    struct taut_station_setup setup = {.valve = TAUT_VALVE_HAND, .volume_m3 = 0.0024, .u_volume_m3 = 0.0002};
    snprintf(setup.name, sizeof setup.name, "A");
    tt_channel(&setup, TAUT_ROLE_VENT, "A.vent");
    tt_channel(&setup, TAUT_ROLE_FAR, "A.far");
    tt_channel(&setup, TAUT_ROLE_MANIFOLD, "pump");
    tt_channel(&setup, TAUT_ROLE_TEMPERATURE, "room");
    setup.channel[TAUT_ROLE_TEMPERATURE].u_pa = 0.5;
    return setup;
}

/* 2026-11-25T08:00:00Z */
#define TT_START_WALL_NS INT64_C(1795593600000000000)

static inline struct taut_recipe tt_recipe(void)
{
    struct taut_recipe recipe = {
        .name = "rudder",
        .drawdown_below_pa = 10 * TAUT_PA_PER_MBAR,
        .drawdown_hold_s = 10,
        .drawdown_max_s = 1800,
        .settle_min_s = 30,
        .settle_max_s = 300,
        .limit_pa_per_s = 0.5 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
        .rise_limit_pa = (double)NAN,
        .rise_within_s = (double)NAN,
        .test_min_s = 60,
        .test_s = 300,
        .mode = TAUT_TEST_FIXED,
        .risk = 0.01,
        .fill_false_alarm_h = 1000,
        .fill_leak_pa_per_s = 2 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
        .fill_step_pa = 100,
        .fill_tell_s = 30,
        .fill_below_pa = (double)NAN,
        .clamp_limit_pa_per_s = 20 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
        .cure_below_pa = (double)NAN,
    };
    return recipe;
}

static inline struct taut_run tt_run(const char *part, int number)
{
    struct taut_run run = {.number = number, .started_wall_ns = TT_START_WALL_NS, .recipe = tt_recipe()};
    snprintf(run.part, sizeof run.part, "%s", part);
    snprintf(run.who, sizeof run.who, "skerry");
    return run;
}

/* Numbers that look random and are the same everywhere (the constants of Knuth's MMIX generator, from memory). */
static inline uint32_t tt_random(uint64_t *state)
{
    *state = *state * UINT64_C(6364136223846793005) + UINT64_C(1442695040888963407);
    return (uint32_t)(*state >> 33);
}

static inline struct taut_sample tt_good(double value)
{
    return (struct taut_sample){.value = value, .quality = TAUT_QUALITY_GOOD};
}

static inline struct taut_sample tt_bad(enum taut_reason reason)
{
    return (struct taut_sample){.value = (double)NAN, .quality = TAUT_QUALITY_BAD, .reason = reason};
}

/* Pressure of n thousandths of a mbar; temperature of m thousandths of a degree Celsius. */
static inline double tt_pa(int64_t n)
{
    return (double)n / 10.0;
}

static inline double tt_k(int64_t m)
{
    return (double)(273150 + m) / 1000.0;
}

/* All wired channels good: the vent at `n` thousandths of a mbar, the rest near it. */
static inline struct taut_sweep tt_sweep(int64_t n)
{
    struct taut_sweep sweep = {.present = 1u << TAUT_ROLE_VENT | 1u << TAUT_ROLE_FAR | 1u << TAUT_ROLE_MANIFOLD |
                                          1u << TAUT_ROLE_TEMPERATURE};
    sweep.sample[TAUT_ROLE_VENT] = tt_good(tt_pa(n));
    sweep.sample[TAUT_ROLE_FAR] = tt_good(tt_pa(n + 137));
    sweep.sample[TAUT_ROLE_MANIFOLD] = tt_good(tt_pa(2100));
    sweep.sample[TAUT_ROLE_TEMPERATURE] = tt_good(tt_k(21500));
    return sweep;
}

/* The same bits, NaN included. */
static inline bool tt_same_sample(const struct taut_sample *a, const struct taut_sample *b)
{
    bool same_value = isnan(a->value) ? isnan(b->value) : memcmp(&a->value, &b->value, sizeof a->value) == 0;
    return same_value && a->quality == b->quality && a->reason == b->reason;
}

#endif
