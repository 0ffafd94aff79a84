/** @file rise.h  The rise of a shut-off bag: p(t) = p0 + A (1 - exp(-t/tau)) + r t, fitted by least squares on readings
 *  as they are, and what such a fit can know.  The drop test (droptest.h) uses the same model with noise and bounds;
 *  this is the plain fit for studies and other data. */
#ifndef TAUT_RISE_H
#define TAUT_RISE_H

#include <stdbool.h>
#include <stddef.h>

#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

enum { TAUT_RISE_FREE_START = 1, TAUT_RISE_FREE_RATE = 2, TAUT_RISE_WORK = 5 };

struct taut_rise_fit {
    double p0, amplitude, tau_s, rate_per_s;         /* in the units of p; what is not free is 0 */
    double u_p0, u_amplitude, u_tau_s, u_rate_per_s; /* plain standard errors from the Jacobian; see fit.h on noise */
    double rss, residual_sd;
    double rss_line;            /* of the model without the transient */
    double aicc, aicc_line;     /* Hurvich and Tsai 1989; the smaller is favoured */
    double runs_z, runs_z_line; /* sign runs of the residuals; strongly negative: a bend is left */
    bool flat;                  /* the sum of squares hardly depends on tau: tau is not known */
    bool at_bound;              /* the best tau lies at an end of the range searched */
    bool favoured;              /* the evidence is for the transient: AICc better by 2 and A > 0, neither flat nor at the bound */
};

/** Fit by separable least squares (Golub and Pereyra 1973): for each tau the rest is linear; tau by a bracketed search
 *  over five decades about the record's length, then Gauss-Newton steps to full precision. Needs no start values.
 *  O(n) per tau, some 60 of them.
 *  @param t_s,p  n readings, t strictly rising; the model's time is t itself (0 = shut-off)
 *  @param free   sum of TAUT_RISE_FREE_START (p0) and TAUT_RISE_FREE_RATE (r); what is not free is 0
 *  @param work   TAUT_RISE_WORK * n doubles, caller's
 *  @return TAUT_OK, also when the fit only looks converged: then `flat` or `at_bound` is set; TAUT_E_ARG unknown bits;
 *          TAUT_E_FEW fewer than two readings more than parameters; TAUT_E_SPREAD t does not rise or p does not vary;
 *          TAUT_E_SINGULAR no tau at which the transient differs from the rest. *out is untouched on failure. */
TAUT_NODISCARD enum taut_status taut_rise_fit(const double *t_s, const double *p, size_t n, unsigned free, double *work,
                                              struct taut_rise_fit *out);

/** What is known beforehand of a transient. */
enum taut_rise_knowledge { TAUT_RISE_NO_TRANSIENT, TAUT_RISE_TAU_KNOWN, TAUT_RISE_TAU_UNKNOWN };

/** Least standard deviation of r that any unbiased estimate can have (Cramer-Rao bound; Kay 1993, Estimation Theory),
 *  p0 always unknown.  Without a transient sqrt(12 n0 / span^3); does not depend on A.
 *  @param n0         variance of a mean of the noise times its duration, unit^2 s: sigma^2 (1+phi)/(1-phi) dt for AR(1)
 *  @param span_s     length of the record, from shut-off
 *  @param tau_s      of the transient; ignored for TAUT_RISE_NO_TRANSIENT
 *  @return           unit per s; NaN for arguments that are not positive */
double taut_rise_least_sd(double n0, double span_s, double tau_s, enum taut_rise_knowledge knowledge);

#ifdef __cplusplus
}
#endif
#endif
