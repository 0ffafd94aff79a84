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

/* ---- deciding with an uncertain measurement ------------------------------------------------------------- */

/** Probability that the true value conforms, given a normal measurement (JCGM 106:2012, 7.2).
 *  @param low,high  limits of tolerance; NaN for a side that has none
 *  @return          in [0, 1]; NaN for u <= 0 */
double taut_stats_conformance(double measured, double u, double low, double high);

/** Acceptance and rejection limits for an upper limit, guarded so that either wrong decision has at most `risk` at
 *  the limit itself (JCGM 106:2012; one-sided).  Between them: inconclusive. */
struct taut_guard {
    double accept_at_or_below, reject_at_or_above;
};
struct taut_guard taut_stats_guard(double limit, double u, double risk);

/** Consumer's and producer's risk of a whole process under an upper limit (JCGM 106:2012, clause 9): true values normal
 *  with process_mean, process_sd, measured with u, accepted up to limit - guard.  By quadrature, to about 1e-8.
 *  @param false_accept  true value above the limit, accepted
 *  @param false_reject  true value within it, not accepted */
void taut_stats_global_risk(double process_mean, double process_sd, double u, double limit, double guard, double *false_accept,
                            double *false_reject);

/* ---- sequential test ------------------------------------------------------------------------------------- */

/** Wald's sequential probability ratio test of mean 0 against `shift` (Wald 1947, Sequential Analysis).  His formulas
 *  ignore the overshoot: the true expected length is longer, by 2 to 20 % for shifts up to half a sigma. */
struct taut_sprt {
    double log_a, log_b; /* accept the shift at log_a or above, its absence at log_b or below */
};
struct taut_sprt taut_stats_sprt(double alpha, double beta);

/** Probability that the absence of the shift is accepted when the mean is `mean`; readings normal with sigma. */
double taut_stats_sprt_accepts(const struct taut_sprt *test, double shift, double sigma, double mean);

/** Expected number of readings then. For a drift in Brownian noise: shift and mean per s, sigma per root s, result s. */
double taut_stats_sprt_length(const struct taut_sprt *test, double shift, double sigma, double mean);

#ifdef __cplusplus
}
#endif
#endif
