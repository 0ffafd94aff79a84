/** @file watch.h  The watch over a bag while it is filled, clamped and cured: is the vacuum being lost, how fast,
 *  and why. */
#ifndef TAUT_WATCH_H
#define TAUT_WATCH_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/cause.h"
#include "taut/change.h"
#include "taut/hunt.h"
#include "taut/learn.h"
#include "taut/limits.h"
#include "taut/recipe.h"
#include "taut/sample.h"
#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

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
    double blind_s;               /* since the last good vent reading; 0 while it is good */
    uint32_t times;               /* losses told since init */
};

/** Working storage; plain, no destroy.  Treat the inside as private; the owner of lib/judge/watch.c extends it. */
struct taut_watch {
    struct taut_watch_rule rule;
    struct taut_watch_finding finding;
    enum taut_hold hold;
    int64_t hold_ns;
    /* time and bins */
    int64_t origin_ns, last_ns, last_good_ns, bin_from_ns;
    bool seen, seen_good;
    double bin_sum, bin_t_sum, spacing_s, sample_s;
    uint32_t bin_n;
    double quiet_until_s; /* after a change of hold nothing is learnt until then */
    /* noise */
    struct taut_learn learn;
    struct taut_noise noise;
    uint64_t refit_at; /* bins */
    /* detection */
    struct taut_change change;
    struct taut_hunt hunt; /* quick, per reading: for display */
    struct taut_hunt pace; /* calm, per bin: for judging whether a loss goes on */
    /* a loss under way */
    bool lost;
    enum taut_change_kind lost_kind;
    double lost_onset_s, lost_level_pa, lost_peak_pa, back_since_s, told_s;
    struct taut_cause_history history;
    struct taut_sweep latest; /* newest reading of each role */
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
