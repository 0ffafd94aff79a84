/** @file watch_parts.h  What the files of the watch share. */
#ifndef TAUT_JUDGE_WATCH_PARTS_H
#define TAUT_JUDGE_WATCH_PARTS_H

#include "taut/watch.h"

/** Density of the learnt noise, Pa2 s: the variance of a mean over T is density/T. */
double taut_watch_density(const struct taut_noise *noise);

/** The valve is closed for a check at t_s. */
void taut_watch_check_begin(struct taut_watch *watch, double t_s);

/** Length of a check that tells a leak from none, 1 % risk either way; infinite over an hour. */
double taut_watch_check_span(const struct taut_noise *noise, double rate_pa_per_s);

/** One bin: of the isolated bag, or of a pumped one whose distance from the manifold is followed. */
void taut_watch_check_push(struct taut_watch *watch, double t_s, double mean_pa);

/** One reading of good quality.  False, with cause and evidence set, when it is not to be believed all the same. */
bool taut_watch_sensor_believed(struct taut_watch *watch, double t_s, double p_pa);

/** Variance of the readings now over what it was in the quiet hold, when that is more than chance; else 1. */
double taut_watch_sensor_scale(const struct taut_watch *watch);

/** Sensor or communication is the trouble.  @param p_pa  the reading in question, or NaN */
void taut_watch_sensor_blame(struct taut_watch *watch, double t_s, enum taut_cause cause, const char *what, double p_pa);

/** No trouble for some seconds. */
bool taut_watch_sensor_recovered(const struct taut_watch *watch, double t_s);

#endif
