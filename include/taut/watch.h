/** @file watch.h  The watch over a bag while it is filled, clamped and cured: is the vacuum being lost, how fast,
 *  and why. */
#ifndef TAUT_WATCH_H
#define TAUT_WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/limits.h"
#include "taut/recipe.h"
#include "taut/sample.h"
#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Causes that are told apart. Texts: taut_cause_text (word), taut_cause_advice (sentence). */
enum taut_cause {
    TAUT_CAUSE_NONE,
    TAUT_CAUSE_UNKNOWN,
    TAUT_CAUSE_LEAK,
    TAUT_CAUSE_SUPPLY,       /* pump or manifold lost */
    TAUT_CAUSE_LINE_BLOCKED, /* kinked or blocked vent line */
    TAUT_CAUSE_VALVE,        /* valve not where it was commanded */
    TAUT_CAUSE_RESIN,        /* resin at the sensor */
    TAUT_CAUSE_MOISTURE,     /* plateau at the water vapour pressure */
    TAUT_CAUSE_BAROMETER,
    TAUT_CAUSE_TEMPERATURE,
    TAUT_CAUSE_SENSOR, /* open, shorted, frozen, noisy, word order: the reason says which */
    TAUT_CAUSE_COMMUNICATION,
    TAUT_CAUSES
};

const char *taut_cause_text(enum taut_cause cause);
const char *taut_cause_advice(enum taut_cause cause);

/** How the bag is being held now: the watch judges each differently. */
enum taut_hold {
    TAUT_HOLD_LEARN,    /* tested and tight, pump on or isolated, no resin yet: learn noise, wander, baseline */
    TAUT_HOLD_PUMPED,   /* filling, vent open to the pump */
    TAUT_HOLD_ISOLATED, /* valve closed for a moment: rises are the leak */
    TAUT_HOLD_CLAMPED,  /* vent clamped: the dry rest is squeezed by the resin */
    TAUT_HOLD_CURE
};

struct taut_watch_rule {
    double false_alarm_h, leak_pa_per_s, step_pa, tell_s;
    double below_pa; /* plain limit, NaN for none */
    double clamp_limit_pa_per_s;
    double resolution_pa, volume_m3;
};

struct taut_watch_finding {
    bool rate_alarm, level_alarm, limit_alarm; /* rising too fast; above the baseline; above the plain limit */
    double baseline_pa, above_pa;
    double rate_pa_per_s, u_rate_pa_per_s; /* smoothed dp/dt now */
    double since_s;                        /* estimated onset before now; NaN when none */
    enum taut_cause cause;
    double confidence;            /* 0..1 */
    char evidence[TAUT_TEXT_MAX]; /* the readings the cause rests on, one sentence */
};

/** Working storage; plain, no destroy.  Treat the inside as private; the owner of lib/judge/watch.c extends it. */
struct taut_watch {
    struct taut_watch_rule rule;
    struct taut_watch_finding finding;
    enum taut_hold hold;
    int64_t hold_ns;
};

struct taut_watch_rule taut_watch_rule_from_recipe(const struct taut_recipe *recipe);

TAUT_NODISCARD enum taut_status taut_watch_init(struct taut_watch *watch, const struct taut_watch_rule *rule);

/** The way of holding changes at t_ns (also a deliberate change of vacuum: pass the same hold again to take a
 *  new baseline). What was learnt of the noise is kept. */
void taut_watch_hold(struct taut_watch *watch, enum taut_hold hold, int64_t t_ns);

/** Give one sweep.  O(1) amortised, fixed memory.  Borrowed result, valid until the next call. */
const struct taut_watch_finding *taut_watch_push(struct taut_watch *watch, int64_t t_ns, const struct taut_sweep *sweep);

#ifdef __cplusplus
}
#endif
#endif
