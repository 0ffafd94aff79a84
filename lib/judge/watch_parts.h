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

#endif
