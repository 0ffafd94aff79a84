/** @file hunt.h  A quick estimate of dp/dt for someone who presses along the tape and listens.
 *
 *  Local-linear filter: level and slope, the slope a random walk of intensity `agility`, readings with AR(1) noise
 *  (Kalman filter; Harvey 1989, from memory). The noise is learnt from the readings themselves. */
#ifndef TAUT_HUNT_H
#define TAUT_HUNT_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/** Working storage; plain, no destroy. Private inside, but for what the comments say. */
struct taut_hunt {
    double rate_pa_per_s;   /* read: dp/dt now; NaN before the second reading */
    double u_rate_pa_per_s; /* read: its standard uncertainty */
    double level_pa;        /* read: the smoothed pressure */
    double sigma_pa, memory_s, agility;
    double x[3]; /* level, slope, noise */
    double p[6]; /* covariance: 00 01 02 11 12 22 */
    double t_s;
    int n;
};

/** Begin.  @param sigma_pa  standard deviation of a reading's noise (> 0)
 *  @param memory_s  its correlation time; 0 for none
 *  @param agility   intensity of the slope's random walk, Pa/s per root second */
void taut_hunt_init(struct taut_hunt *hunt, double sigma_pa, double memory_s, double agility);

/** One reading at t_s (rising).  O(1), about 100 operations. */
void taut_hunt_push(struct taut_hunt *hunt, double t_s, double p_pa);

#ifdef __cplusplus
}
#endif
#endif
