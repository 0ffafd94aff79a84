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
    enum taut_cause_end end;      /* which end of the bag a leak is nearer to */
    double blind_s;               /* since the last good vent reading; 0 while it is good */
    uint32_t times;               /* losses told since init */
};

/** What a short isolation of the bag during fill has shown: the valve closed for some seconds, the rise judged. */
enum taut_watch_check_verdict {
    TAUT_CHECK_NONE,   /* none was made */
    TAUT_CHECK_UNSURE, /* too short, or the bag behaved as if it were still pumped */
    TAUT_CHECK_TIGHT,  /* the leak that matters is ruled out with 99 % */
    TAUT_CHECK_LEAK    /* a leak of at least half of what matters, with 99 % */
};

struct taut_watch_check {
    enum taut_watch_check_verdict verdict;
    bool shut;       /* the readings show that the bag was shut off; needs a manifold sensor */
    double span_s;   /* judged so long */
    double needed_s; /* this long would do */
    double rate_pa_per_s, u_rate_pa_per_s;
};

/** What the watch can tell on this bag, and when. Delays are means; infinite: never. */
struct taut_watch_plan {
    double isolated_s; /* the leak that matters, bag shut off */
    double step_s;     /* the step that matters, at the gauge */
    double gauge_pa,
        pumped_s; /* what that leak makes at the gauge against the pump, and when told; NaN: speed or volume not known */
    double least_leak_pa_per_s; /* told within tell_s, bag shut off */
    double least_step_pa;       /* told within tell_s, at the gauge */
    double check_s;             /* an isolation check of this length tells the leak from none, 1 % risk either way */
    bool kept;                  /* the wish can be had with the pump on, as far as is known */
    char sentence[TAUT_TEXT_MAX];
};

/** What is usual for the vent sensor. Private. */
struct taut_watch_sensor {
    double before[2], last_pa, usual_pa;
    double usual_sq, quick_sq; /* mean squares of second differences: in the quiet hold, now */
    double learnt, run_from_s, trouble_s;
    uint32_t n, run, longest_run; /* equal readings in a row */
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
    double hold_onset_s, lost_onset_s, lost_level_pa, lost_peak_pa, back_since_s, told_s;
    /* a commanded change, an isolation check, a squeezed rest */
    bool commanded;
    double commanded_s, calm_since_s;
    struct taut_watch_check check;
    double check_from_s, check_before_pa;
    double gap_pa, check_gap_before_pa, check_gap_sum, check_gaps; /* vent less manifold */
    double check_n, check_t, check_p, check_tt, check_tp;
    double dry_frac, dry_s, front_per_s; /* dry fraction of the bag at dry_s, and how fast it falls; NaN: not told */
    struct taut_watch_sensor sensor;
    double isolated_pa_per_s; /* rise of this bag when shut off and found tight; NaN: not known */
    struct taut_cause_history history;
    struct taut_sweep latest; /* newest reading of each role */
};

struct taut_watch_rule taut_watch_rule_from_recipe(const struct taut_recipe *recipe);

TAUT_NODISCARD enum taut_status taut_watch_init(struct taut_watch *watch, const struct taut_watch_rule *rule);

/** The way of holding changes at t_ns (also a deliberate change of vacuum: pass the same hold again; then nothing but
 *  the plain limit alarms until the pressure is calm again, two minutes at most, and the baseline is taken there).
 *  What was learnt of the noise is kept.  LEARN to PUMPED keeps the level too.  Leaving ISOLATED closes the check. */
void taut_watch_hold(struct taut_watch *watch, enum taut_hold hold, int64_t t_ns);

/** Give one sweep.  O(1) amortised, fixed memory.  Borrowed result, valid until the next call. */
const struct taut_watch_finding *taut_watch_push(struct taut_watch *watch, int64_t t_ns, const struct taut_sweep *sweep);

/** How fast this bag rose when it was last shut off and found tight (the drop test's rate): a line that is blocked later
 *  lets it rise just so, a new leak faster.  NaN is ignored. */
void taut_watch_isolated_rate(struct taut_watch *watch, double rate_pa_per_s);

/** The front stands at dry_frac of the bag's dry volume (0..1) at t_ns, as the operator sees it.  While CLAMPED the dry
 *  rest is squeezed by the advancing resin (Boyle: p V stays) and a leak shows 1/dry times faster; from two sightings
 *  both are taken into account in place of the plain clamp limit.  Other values are ignored. */
void taut_watch_front(struct taut_watch *watch, int64_t t_ns, double dry_frac);

/** The isolation check under way, or the last one.  Borrowed, valid until the next call. */
const struct taut_watch_check *taut_watch_last_check(const struct taut_watch *watch);

/** What can be told, and when, with the noise as learnt so far.
 *  @param pump_m3_per_s  pumping speed at the bag; NaN when not known
 *  Some 10^6 operations: for a page or a record, not per reading. */
void taut_watch_plan(const struct taut_watch *watch, double pump_m3_per_s, struct taut_watch_plan *plan);

#ifdef __cplusplus
}
#endif
#endif
