/** @file droptest.h  The drop test: a bag shut off from the pump, its pressure rise watched, a limit applied,
 *  a verdict with its rule.
 *
 *  Model of the isolated bag: p(t) = p0 + A (1 - exp(-t/tau)) + r t + noise. A and tau come from far ends and
 *  slow lines evening out, moisture and outgassing; r is the leak. Noise is autocorrelated and quantised.
 *
 *  Rule: pass when the upper confidence bound of the judged quantity is below the limit, fail when the lower
 *  bound is above it, else inconclusive, with the time still needed. Never a pass while the bag may still be
 *  connected to the pump, nor on readings that are not good, nor on readings that show no change at all. */
#ifndef TAUT_DROPTEST_H
#define TAUT_DROPTEST_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/limits.h"
#include "taut/recipe.h"
#include "taut/sample.h"
#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

enum taut_verdict { TAUT_VERDICT_NONE, TAUT_VERDICT_PASS, TAUT_VERDICT_FAIL, TAUT_VERDICT_INCONCLUSIVE };

/** "none", "pass", "fail", "inconclusive". */
const char *taut_verdict_text(enum taut_verdict verdict);

/** Why a verdict is what it is. Texts: taut_droptest_why_text (a sentence for the operator). */
enum taut_droptest_why {
    TAUT_WHY_NONE,
    TAUT_WHY_BOUND_BELOW_LIMIT, /* pass */
    TAUT_WHY_BOUND_ABOVE_LIMIT, /* fail */
    TAUT_WHY_TOO_SHORT,         /* the interval still straddles the limit: more time would decide */
    TAUT_WHY_TOO_NOISY,         /* no reasonable time would decide with this noise or drift bound */
    TAUT_WHY_TRANSIENT,         /* rise still bending: leak and evening-out can not be told apart yet */
    TAUT_WHY_STILL_PUMPED,      /* pressure falls or stays flat at the base: the valve may be open */
    TAUT_WHY_BAD_READINGS,      /* too many readings not good */
    TAUT_WHY_NO_CHANGE,         /* readings did not change at all: sensor frozen or too coarse */
    TAUT_WHY_INTERRUPTED,       /* the program or the machine stopped during the test */
    TAUT_WHY_STOPPED,           /* ended by a command before it was decided */
    TAUT_WHYS
};

/** Word for files ("still-pumped") and sentence for people. Never NULL. */
const char *taut_droptest_why_word(enum taut_droptest_why why);
const char *taut_droptest_why_text(enum taut_droptest_why why);

/** What is to be decided. Build with taut_droptest_rule_from_recipe or by hand. */
struct taut_droptest_rule {
    double limit_pa_per_s;               /* NaN: no rate limit */
    double rise_limit_pa, rise_within_s; /* NaN: no total-rise limit; at least one of the two must be given */
    enum taut_test_mode mode;
    double risk; /* one-sided, (0, 0.5): greatest chance of a wrong pass or fail */
    double settle_min_s, settle_max_s, test_min_s, test_s;
    double resolution_pa;             /* of the judged channel; 0 = estimate from the data */
    double drift_pa_per_s;            /* stated bound on sensor drift plus, for a gauge reading without a
                                            barometer, on the ambient's drift; taken as a bound, not as noise */
    double volume_m3, u_volume_m3;    /* NaN when not known: no mbar.L/s then */
    double temperature_drift_k_per_s; /* stated bound when no temperature channel is wired; 0 = none */
};

enum taut_droptest_stage { TAUT_STAGE_BEFORE, TAUT_STAGE_SETTLING, TAUT_STAGE_MEASURING, TAUT_STAGE_DECIDED };

/** Rise model that the evidence favours. */
enum taut_rise_model { TAUT_RISE_LINE, TAUT_RISE_TRANSIENT_LINE, TAUT_RISE_SATURATING };

struct taut_droptest_result {
    enum taut_droptest_stage stage;
    enum taut_verdict verdict; /* NONE until decided */
    enum taut_droptest_why why;
    enum taut_rise_model model;
    /* rate: the leak r of the model */
    double rate_pa_per_s, u_rate_pa_per_s;              /* estimate, standard uncertainty */
    double rate_low_pa_per_s, rate_high_pa_per_s;       /* one-sided bounds at `risk` each, the ones that decide; in early
                                                     mode they hold at every moment at once */
    double rate_95_low_pa_per_s, rate_95_high_pa_per_s; /* 95 % interval at this moment, in the favoured model */
    /* total rise within rise_within_s: from the fitted curve, and from raw readings */
    double rise_pa, rise_low_pa, rise_high_pa;
    double rise_raw_pa; /* reading at the time minus reading at the start; NaN if not reached */
    /* the transient and the noise */
    double amplitude_pa, tau_s;                  /* NaN for a line */
    double p0_pa;                                /* fitted pressure at the start of the judged span */
    double noise_pa, phi;                        /* residual sd; lag-1 autocorrelation at the sample spacing */
    double resolution_pa;                        /* used */
    double settle_s;                             /* shut-off to start of the judged span */
    double span_s;                               /* judged span */
    double needed_s;                             /* time still needed; NaN when not known, 0 when decided */
    double smallest_pa_per_s;                    /* smallest leak this test could tell from none by now */
    double leak_pa_m3_per_s, u_leak_pa_m3_per_s; /* NaN without a volume */
    int64_t isolated_ns, from_ns, to_ns;         /* times of shut-off, first and last judged reading */
    uint32_t n_used, n_not_good;                 /* readings */
    double start_pa, end_pa;                     /* mean readings at the two ends of the judged span */
};

enum { TAUT_DROPTEST_BLOCKS = 80, TAUT_DROPTEST_BEFORE = 48, TAUT_DROPTEST_COLOURS = 8, TAUT_DROPTEST_TAUS = 9 };

/** Mean of some neighbouring readings. */
struct taut_droptest_block {
    double t_s;        /* since shut-off */
    double p_pa;       /* corrected for temperature when there is such a channel */
    float manifold_pa; /* NaN when there is none */
};

/** A block under construction. */
struct taut_droptest_heap {
    double t_s, p_pa, manifold_pa; /* sums */
    uint32_t n, n_manifold;
};

/** Working storage; plain, no destroy, may be copied.  Treat the inside as private. */
struct taut_droptest {
    struct taut_droptest_rule rule;
    struct taut_droptest_result result;
    int64_t isolated_ns;
    int64_t last_ns;
    /* judged readings since the end of settling, in equal blocks that are merged two by two when there is no room */
    struct taut_droptest_block block[TAUT_DROPTEST_BLOCKS];
    struct taut_droptest_heap heap;
    uint32_t n_block, per_block;
    /* the last minute before shut-off */
    struct taut_droptest_block before[TAUT_DROPTEST_BEFORE];
    struct taut_droptest_heap before_heap;
    uint32_t n_before, per_before;
    /* straight line over the first moments after shut-off: n, t, tt, p, tp */
    double after_sums[5];
    double base_pa; /* taken off before summing */
    /* readings one by one */
    double previous_pa, difference_sum, step_least_pa; /* squares of differences; least that is not zero */
    uint32_t n_difference, n_different;
    int64_t first_ns, good_ns, changed_ns; /* first judged, last good, last that differed from the one before */
    /* how many steps of the converter the readings cover in windows of some seconds: noise over several makes steps harmless */
    int64_t window_ns;
    double window_least_pa, window_most_pa;
    uint32_t n_window, n_window_lively;
    double gap_s;      /* longest time without a good reading */
    double interval_s; /* usual time between readings */
    double first_pa;   /* first judged reading as it came, for the raw rise */
    double temperature_k, temperature_first_k;
    /* noise: likelihood of each colour and spread of the rate under it, the likeliest, and the t distribution of the
     * rate's error over its standard error when all are weighed together */
    double log_belief[TAUT_DROPTEST_COLOURS], spread[TAUT_DROPTEST_COLOURS], mix_scale, mix_freedom;
    int colour;
    /* work is spread over pushes: what is under way, on how many blocks, what was done when */
    int job, job_colour;
    uint32_t job_n, fresh_n;                  /* blocks in the job; blocks at the last look */
    double noise_span_s, fit_span_s;          /* span at the last estimate of the noise and the last fit; 0: none that counts */
    double tau_points[TAUT_DROPTEST_TAUS][8]; /* results of the wide look over tau, on scan_n blocks */
    uint32_t scan_n;
    double look_span_s; /* span at which the next cheap look is worth it */
    double credit, tau_start_s;
    bool transient; /* last fit favoured a transient */
    bool narrow;    /* and tau lies well inside a narrow valley */
    bool over;      /* measuring time is over; the next fit decides */
};

/** Rule for a recipe.  Pure; volume, drift and resolution are left for the caller (NaN, 0, 0). */
struct taut_droptest_rule taut_droptest_rule_from_recipe(const struct taut_recipe *recipe);

/** The result in words for the record: what the rise looks like, the rate with its uncertainty, the bounds that decided
 *  and at which risk, such as "rise is levelling off (time constant 2.1 min): moisture or a slow line; no leak above
 *  0.12 mbar/min (risk 1 %)".  Pure.  @param out  caller's, TAUT_TEXT_MAX bytes, terminated */
void taut_droptest_explain(const struct taut_droptest_rule *rule, const struct taut_droptest_result *result, char *out);

/** What a test can do, before it is made. */
struct taut_droptest_plan {
    bool possible;                      /* the recipe's risk can be kept in the recipe's time */
    double smallest_pa_per_s;           /* a leak must lie this far below the limit to be passed in test_s, without a transient
                                     (a total rise is taken as its mean rate) */
    double smallest_transient_pa_per_s; /* the same with a transient of `tau_s` to be told apart */
    double needed_s;                    /* judged time till a bag without any leak is passed; INFINITY when never */
    double needed_transient_s;          /* the same with such a transient; at least three times tau_s */
    double noise_pa, phi, long_run_pa2_s, resolution_pa; /* of the noise taken */
    char reason[160];                                    /* when not possible: why, one sentence; else "" */
};

/** Noise as the plan needs it: AR(1) with marginal deviation noise_pa, lag-1 correlation phi at interval_s. */
struct taut_droptest_noise {
    double noise_pa, phi, interval_s;
};

/** Plan for a rule and a noise.  The interval is as wide as the test's own, a transient being of `tau_s` (0: none).  Pure.
 *  @return TAUT_OK; TAUT_E_ARG rule or noise out of range */
TAUT_NODISCARD enum taut_status taut_droptest_plan(const struct taut_droptest_rule *rule, const struct taut_droptest_noise *noise,
                                                   double tau_s, struct taut_droptest_plan *out);

/** Noise seen so far by a test that still waits for shut-off: from the last minute, the pump-down's bend taken out.
 *  @return TAUT_OK; TAUT_E_STATE shut off already; TAUT_E_FEW fewer than 16 readings; *out untouched then */
TAUT_NODISCARD enum taut_status taut_droptest_noise_seen(const struct taut_droptest *test, struct taut_droptest_noise *out);

/** Begin: readings pushed from now on belong to the time before shut-off (they teach noise and slope).  Pure.
 *  @return TAUT_OK; TAUT_E_ARG a rule without a limit or with a number out of range (then *test is untouched) */
TAUT_NODISCARD enum taut_status taut_droptest_init(struct taut_droptest *test, const struct taut_droptest_rule *rule);

/** The bag is shut off at `t_ns` (valve closed, or operator confirmed).  Readings before it are kept as evidence. */
void taut_droptest_isolate(struct taut_droptest *test, int64_t t_ns);

/** Give one sweep.  O(1) amortised; fixed memory.  The vent is judged; manifold, ambient and temperature are
 *  used when they are there.  Times never decrease.
 *  @return the stage after it; the result is kept in test->result */
enum taut_droptest_stage taut_droptest_push(struct taut_droptest *test, int64_t t_ns, const struct taut_sweep *sweep);

/** Stop now: decide with what there is; a test that is not yet decided becomes inconclusive with `why`
 *  (TAUT_WHY_STOPPED, TAUT_WHY_INTERRUPTED). */
void taut_droptest_stop(struct taut_droptest *test, enum taut_droptest_why why);

/** Result so far (fresh numbers, also while measuring).  Borrowed; valid until the next call. */
const struct taut_droptest_result *taut_droptest_result(const struct taut_droptest *test);

#ifdef __cplusplus
}
#endif
#endif
