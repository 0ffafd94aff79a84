/** @file chart.h  Control-chart arithmetic for independent readings: tabular CUSUM, its run lengths, individuals chart.
 *  The watch itself uses taut/change.h, since a bag's readings are not independent; charts are the yardstick it is
 *  measured by, and serve readings taken by hand. */
#ifndef TAUT_CHART_H
#define TAUT_CHART_H

#include <stdbool.h>
#include <stddef.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Two one-sided sums (NIST/SEMATECH e-Handbook 6.3.2.3). Plain; set target, slack, limit and zero the rest. */
struct taut_cusum {
    double target, slack, limit; /* k and h, in the unit of the readings */
    double high, low;            /* S_hi, S_lo */
};

/** Begin with both sums at zero. */
void taut_cusum_init(struct taut_cusum *cusum, double target, double slack, double limit);

/** One reading.  @return +1 when S_hi is above the limit, -1 when S_lo is, 0 when neither; +1 wins.  A reading that is
 *  not finite changes nothing and returns 0. */
int taut_cusum_push(struct taut_cusum *cusum, double x);

/** Average run length of the upper one-sided CUSUM started at zero, independent normal readings of standard
 *  deviation 1 whose mean is `shift` above target.  Page's integral equation (Page 1954; from memory) by Nystroem's
 *  method with Gauss-Legendre nodes; relative error under 1e-6 for h up to 10.
 *  @param k,h  slack and limit in standard deviations, h > 0
 *  @return the mean number of readings to an alarm; NaN for bad arguments */
double taut_cusum_run_length(double k, double h, double shift);

/** Siegmund's approximation of the same (Siegmund 1985; from memory): no equation to solve. */
double taut_cusum_run_length_siegmund(double k, double h, double shift);

/** Both sides together: 1/L = 1/L_up + 1/L_down. */
double taut_cusum_run_length_two_sided(double k, double h, double shift);

/** Limit h for a wished in-control one-sided run length at slack k, by bisection on taut_cusum_run_length.
 *  @return NaN when k or the run length is out of reach */
double taut_cusum_limit(double k, double run_length);

/** Individuals chart (e-Handbook 6.3.2.2): centre +- 3 MRbar / 1.128, and the upper limit of the moving range 3.267 MRbar. */
struct taut_individuals {
    double centre, moving_range, upper, lower, range_upper;
};

/** Limits from n readings.  @return TAUT_OK; TAUT_E_FEW under 2 readings, TAUT_E_ARG one that is not finite; then *out is untouched */
TAUT_NODISCARD enum taut_status taut_individuals_limits(const double *x, size_t n, struct taut_individuals *out);

#ifdef __cplusplus
}
#endif
#endif
