/* A simulated bag under the watch, for the studies: AR(1) noise and a wandering level, read ten times a second.
 * Include it after cmocka.h. */
#ifndef TT_WATCH_H
#define TT_WATCH_H

#include <math.h>
#include <stdlib.h>

#include "taut/noise.h"
#include "taut/units.h"
#include "taut/watch.h"

#define TT_MBAR         TAUT_PA_PER_MBAR
#define TT_MBAR_PER_MIN TAUT_PA_PER_S_PER_MBAR_PER_MIN

struct tt_cell {
    double sigma_mbar, phi, wander_mbar; /* phi at 10 Hz; wander per root second */
};

struct tt_bench {
    struct taut_watch watch;
    struct taut_sensor vent;
    double period_s, base_pa;
    int64_t k; /* readings so far */
};

static inline bool tt_full(void)
{
    const char *wish = getenv("TAUT_STAT_FULL");
    return wish && wish[0] == '1';
}

static inline struct taut_watch_rule tt_rule(double false_alarm_h, double leak_mbar_per_min, double step_mbar)
{
    return (struct taut_watch_rule){.false_alarm_h = false_alarm_h,
                                    .leak_pa_per_s = leak_mbar_per_min * TT_MBAR_PER_MIN,
                                    .step_pa = step_mbar * TT_MBAR,
                                    .tell_s = 30,
                                    .below_pa = (double)NAN,
                                    .clamp_limit_pa_per_s = 20 * TT_MBAR_PER_MIN,
                                    .volume_m3 = (double)NAN};
}

static inline void tt_bench_init(struct tt_bench *b, const struct taut_watch_rule *rule, const struct tt_cell *cell,
                                 uint64_t seed)
{
    const struct taut_sensor_spec spec = {.sd = cell->sigma_mbar * TT_MBAR,
                                          .correlation_s = taut_noise_correlation_s(cell->phi, 0.1),
                                          .wander_per_sqrt_s = cell->wander_mbar * TT_MBAR};
    b->period_s = 0.1;
    b->base_pa = 20 * TT_MBAR;
    b->k = 0;
    taut_sensor_init(&b->vent, &spec, seed, 1);
    if (taut_watch_init(&b->watch, rule) != TAUT_OK)
        fail_msg("the rule was refused");
}

/* One reading of a bag `above_pa` over its base. */
static inline const struct taut_watch_finding *tt_bench_read(struct tt_bench *b, double above_pa)
{
    struct taut_sweep sweep = {.present = 1u << TAUT_ROLE_VENT};
    double pa = taut_sample_round_pa(taut_sensor_step(&b->vent, b->base_pa + above_pa, b->period_s));
    sweep.sample[TAUT_ROLE_VENT] = (struct taut_sample){.value = pa, .quality = TAUT_QUALITY_GOOD};
    b->k++;
    return taut_watch_push(&b->watch, taut_ns((double)b->k * b->period_s), &sweep);
}

static inline void tt_bench_learn(struct tt_bench *b, double seconds)
{
    for (int64_t end = b->k + (int64_t)(seconds / b->period_s); b->k < end;)
        tt_bench_read(b, 0);
    taut_watch_hold(&b->watch, TAUT_HOLD_PUMPED, taut_ns((double)b->k * b->period_s));
}

static inline int tt_compare(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

#endif
