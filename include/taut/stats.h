/** @file stats.h  Distributions, moments and small tests that the judges stand on.  All pure; none allocates. */
#ifndef TAUT_STATS_H
#define TAUT_STATS_H

#include <stddef.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** P(Z > z) for a standard normal Z.  NaN gives NaN. */
double taut_stats_normal_tail(double z);

/** z with P(Z > z) = p; full double precision.  @param p in (0, 1); outside it NaN */
double taut_stats_normal_upper(double p);

/** t with P(T > t) = p for Student's t with `freedom` > 0 degrees of freedom (through GSL; outside its range NaN). */
double taut_stats_t_upper(double p, double freedom);

/** P(T > t) likewise. */
double taut_stats_t_tail(double t, double freedom);

/** Upper quantile of chi square: x with P(X > x) = p.  NaN outside p in (0,1), freedom > 0. */
double taut_stats_chi2_upper(double p, double freedom);

/** Upper quantile of F with d1, d2 degrees of freedom. */
double taut_stats_f_upper(double p, double d1, double d2);

/** Normal score with the same tail as t, to about 1e-3 for freedom >= 3, by a closed form that costs a logarithm and a
 *  root (Wallace 1959, Ann. Math. Stat. 30, 1124).  Odd in t. */
double taut_stats_normal_of_t(double t, double freedom);

/** Its inverse.  Odd in z. */
double taut_stats_t_of_normal(double z, double freedom);

struct taut_stats_summary {
    double mean;
    double sd; /* n - 1 in the denominator */
    double r1; /* lag-1 autocorrelation, sum of products over the full sum of squares */
};

/** Mean, standard deviation and lag-1 autocorrelation in two passes, good against cancellation.
 *  @param x  n finite values, n >= 2
 *  @return   TAUT_OK; TAUT_E_FEW n < 2; TAUT_E_SPREAD all values equal (mean is set, sd and r1 are 0) */
TAUT_NODISCARD enum taut_status taut_stats_summarise(const double *x, size_t n, struct taut_stats_summary *out);

/** Number of runs of equal sign in x (zero counts as positive) against chance, as a normal score: strongly negative
 *  means too few runs, so something bends.  Wald and Wolfowitz 1940.  0 when all have one sign or n < 2. */
double taut_stats_runs_z(const double *x, size_t n);

#ifdef __cplusplus
}
#endif
#endif
