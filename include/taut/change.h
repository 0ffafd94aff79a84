/** @file change.h  Sequential detection of a change: has the level stepped up, or begun to rise, at some moment that
 *  nobody knows, by some amount that nobody knows but that matters?
 *
 *  A Kalman filter for the quiet bag (level a random walk, noise an AR(1)) turns the readings into innovations that
 *  are white while nothing happens.  For every candidate moment of onset the mean that a step or a ramp of height 1
 *  would give to later innovations is carried along with it, so that the likelihood ratio against "nothing happened"
 *  is exact for irregular and missing readings too.  Candidates are kept at spacings that grow with their age.
 *  Method: Willsky and Jones 1976, IEEE Trans. AC-21 (generalised likelihood ratio); Lai 1998, IEEE Trans. IT-44
 *  (delay); threshold from the run length wished for (taut_change_threshold). Sources from memory. */
#ifndef TAUT_CHANGE_H
#define TAUT_CHANGE_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/learn.h"

#ifdef __cplusplus
extern "C" {
#endif

enum { TAUT_CHANGE_CANDIDATES = 56 };

enum taut_change_kind { TAUT_CHANGE_NONE, TAUT_CHANGE_RAMP, TAUT_CHANGE_STEP, TAUT_CHANGE_DOWN };

struct taut_change_candidate {
    double onset_s;
    double level_pa;               /* of the filter at the onset */
    double ramp_level, ramp_noise; /* what a unit ramp has done to the filter's state */
    double step_level, step_noise;
    double ramp_c, ramp_d, step_c, step_d; /* likelihood ratio for size a: a c - a^2 d / 2 */
    uint32_t bin;
};

/** Working storage; plain, no destroy. Private inside. */
struct taut_change {
    struct taut_noise noise;
    double threshold;
    double least_ramp_pa_per_s, least_step_pa; /* smaller ones do not matter */
    double trend_pa_per_s;                     /* allowed: no change when the level rises so fast */
    double level_pa, ar_pa, p11, p12, p22;     /* filter: state and covariance, predicted to `at_s` */
    double at_s, last_pa;
    bool started;
    uint32_t bin;
    int candidates;
    struct taut_change_candidate candidate[TAUT_CHANGE_CANDIDATES];
};

struct taut_change_result {
    enum taut_change_kind kind; /* NONE below the threshold */
    double evidence;            /* greatest log likelihood ratio of step and ramp */
    double size;                /* Pa/s of a ramp, Pa of a step; best estimate */
    double onset_s, level_pa;   /* when it began, and from which level */
};

/** Log likelihood ratio at which to call out, for a mean time between false alarms.  Pure.
 *  @param false_alarm_s  mean time to a false alarm wished for
 *  @param spacing_s      of the bins
 *  h = ln(bins between false alarms) + 0.4: each bin is a fresh look for about one candidate, and a likelihood ratio
 *  exceeds e^h by chance at most once in e^h (Wald 1947, Lai 1998; from memory). With the noise
 *  known that gives 2 to 3 times the time wished for; the margin is for noise that had to be learnt
 *  (tests/stat/watch_false_alarms). */
double taut_change_threshold(double false_alarm_s, double spacing_s);

/** Seconds after which a change has given so much information (Kullback-Leibler) against a quiet bag whose noise and
 *  level have been followed for long: the Lorden/Lai yardstick of any detector's delay.
 *  @param kind        RAMP of size Pa/s, or STEP of size Pa that comes with time constant lag_s (0: at once)
 *  @param information what is needed; the logarithm of (false-alarm time over delay) for the bound
 *  @param most_s      search no further
 *  @return seconds, between bins by interpolation; infinity when not reached by most_s.  Pure; O(most_s / spacing). */
double taut_change_delay_s(const struct taut_noise *noise, enum taut_change_kind kind, double size, double lag_s,
                           double information, double most_s);

/** Begin for a noise.  A least size that is not a positive number leaves that kind out. */
void taut_change_init(struct taut_change *change, const struct taut_noise *noise, double threshold, double least_ramp_pa_per_s,
                      double least_step_pa);

/** Forget level and candidates: the next bins give a new level. */
void taut_change_restart(struct taut_change *change);

/** Give the mean of a bin at `t_s` (rising).  @param scale  its variance over the nominal one, at least 1.
 *  O(candidates): about 2000 operations. */
struct taut_change_result taut_change_push(struct taut_change *change, double t_s, double mean_pa, double scale);

#ifdef __cplusplus
}
#endif
#endif
