/** @file hunt.h  A quick estimate of dp/dt for someone who presses along the tape and listens.
 *
 *  Local-linear filter: level and slope, the slope a random walk of intensity `agility`, readings with AR(1) noise
 *  (Kalman filter; Harvey 1989, from memory). The noise is learnt from the readings themselves, by second differences
 *  over a tenth of a second and over three, which do not see a steady rise. */
#ifndef TAUT_HUNT_H
#define TAUT_HUNT_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

enum { TAUT_HUNT_LAG_MAX = 32, TAUT_HUNT_RING = 2 * TAUT_HUNT_LAG_MAX + 1 };

/** Slope agility that suits a hand on the tape: 0.5 mbar/min per root second. With noise of 0.02 mbar (correlated over
 *  a second) half of a change shows within 2 s, with 0.1 mbar within 5 s (tests/stat/watch_hunt). */
#define TAUT_HUNT_AGILITY (0.5 * 100.0 / 60.0)

/** Working storage; plain, no destroy. Read the first three; the rest is private. */
struct taut_hunt {
    double rate_pa_per_s;   /* dp/dt now; NaN before the third reading */
    double u_rate_pa_per_s; /* its standard uncertainty */
    double level_pa;        /* the smoothed pressure */
    double agility, floor_pa;
    double sigma_pa, memory_s; /* noise of a reading, as learnt */
    double x[3];               /* level, slope, noise */
    double p[6];               /* covariance: 00 01 02 11 12 22 */
    double t_s, spacing_s;
    float ring[TAUT_HUNT_RING]; /* every stride-th reading, less `offset_pa` */
    double offset_pa;
    double near_sq, far_sq; /* mean squares of second differences over 1 and `lag` readings kept */
    uint32_t n, learnt, since_gap, kept;
    int at, lag, stride, clipped;
    bool lags_known;
};

/** Begin.
 *  @param floor_pa  least standard deviation to believe in (quantisation); 0 for none
 *  @param agility   intensity of the slope's random walk, Pa/s per root second; TAUT_HUNT_AGILITY */
void taut_hunt_init(struct taut_hunt *hunt, double floor_pa, double agility);

/** One good reading at t_s (rising; others are ignored).  A gap of over 20 s begins anew, keeping the noise learnt.
 *  O(1), about 150 operations. */
void taut_hunt_push(struct taut_hunt *hunt, double t_s, double p_pa);

/** Agility at which the rate of a steady bag shows a standard deviation of noise_pa_per_s, for a noise of density
 *  `density` (Pa2 s: variance of a mean over T is density/T).  Pure.  From the stationary filter, sd ~ q^(3/4) N0^(1/8);
 *  constant from simulation. u_rate_pa_per_s is about twice that, since it allows for a slope that moves. */
double taut_hunt_agility_for(double noise_pa_per_s, double density);

/** What is known from elsewhere: the level at t_s and how fast it moves. */
void taut_hunt_set(struct taut_hunt *hunt, double level_pa, double rate_pa_per_s);

/** Ticks per second of a sound that follows the rate, for a page to play: 1 up to a tenth of the limit, 4.5 at it, 20
 *  from ten times on, geometric between; 0 for a rate that is not known.  Pure. */
double taut_hunt_ticks_per_s(double rate_pa_per_s, double limit_pa_per_s);

#ifdef __cplusplus
}
#endif
#endif
