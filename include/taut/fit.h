/** @file fit.h  Straight lines through readings, with errors for independent and for autocorrelated noise.
 *
 *  A plain least-squares error of a slope is 2 to 5 times too small on a pressure trace: its noise is autocorrelated.
 *  It is given here for comparison only; verdicts rest on droptest.h.  All pure; arrays are read only. */
#ifndef TAUT_FIT_H
#define TAUT_FIT_H

#include <stddef.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

struct taut_fit_line {
    double intercept, slope;
    double u_intercept, u_slope; /* plain least-squares standard errors */
    double residual_sd;          /* n - 2 (through the origin: n - 1) in the denominator */
    double r_squared;            /* of the variation about the mean (through the origin: about zero) */
    double r1;                   /* lag-1 autocorrelation of the residuals, over their full sum of squares */
    double durbin_watson;
    double innovation_sd; /* generalised fit only: deviation of the whitened residuals */
};

/** Ordinary least squares y = intercept + slope x.   O(n).
 *  @param x,y  n finite values each
 *  @return     TAUT_OK; TAUT_E_FEW n < 3; TAUT_E_SPREAD all x equal; then *out is untouched */
TAUT_NODISCARD enum taut_status taut_fit_line(const double *x, const double *y, size_t n, struct taut_fit_line *out);

/** The same through the origin: intercept is 0.  TAUT_E_FEW n < 2; TAUT_E_SPREAD all x zero. */
TAUT_NODISCARD enum taut_status taut_fit_origin(const double *x, const double *y, size_t n, struct taut_fit_line *out);

struct taut_fit_errors {
    double u_intercept, u_slope, covariance;
};

/** Errors of an ordinary line that hold under autocorrelation up to `lag` (Newey and West 1987, Econometrica 55, 703:
 *  Bartlett weights 1 - l/(lag+1), no small-sample factor).  Biased low when the correlation outlasts the lag.
 *  @param line  from taut_fit_line on the same x, y
 *  @return      TAUT_OK; TAUT_E_ARG lag >= n; TAUT_E_SPREAD */
TAUT_NODISCARD enum taut_status taut_fit_newey_west(const double *x, const double *y, size_t n, const struct taut_fit_line *line,
                                                    size_t lag, struct taut_fit_errors *out);

/** Generalised least squares for AR(1) noise of known phi (Prais and Winsten 1954).  u_* use the residual variance of
 *  the whitened data with n - 2.
 *  @param phi  in (-1, 1)
 *  @return     TAUT_OK; TAUT_E_ARG; TAUT_E_FEW; TAUT_E_SPREAD; then *out is untouched */
TAUT_NODISCARD enum taut_status taut_fit_gls_ar1(const double *x, const double *y, size_t n, double phi,
                                                 struct taut_fit_line *out);

/** Sampling deviation of the ordinary slope when the noise is AR(1) with marginal deviation sigma: exact, O(n).
 *  NaN for |phi| >= 1, n < 2 or no spread. */
double taut_fit_slope_sd_ar1(const double *x, size_t n, double phi, double sigma);

/** Number of independent readings that n AR(1) readings are worth for a mean: n (1 - r1)/(1 + r1). */
double taut_fit_effective_n(size_t n, double r1);

#ifdef __cplusplus
}
#endif
#endif
