/* Separable least squares for p = p0 + r t + A (1 - exp(-(t - t0)/tau)) under coloured noise: everything but tau is
 * linear, so a fit is one whitening of the data and, per tau, one pass over the points.
 *
 * Noise colour: readings with AR(1) noise, averaged in blocks of m readings, give block means that are
 * ARMA(1,1); one number, the correlation time in blocks, fixes all of it. White noise is its limit 0. */
#ifndef TAUT_JUDGE_RISE_CORE_H
#define TAUT_JUDGE_RISE_CORE_H

#include <stdbool.h>
#include <stddef.h>

/* Covariance of w[i] = x[i] - ar x[i-1]: tridiagonal. In units of the variance of one reading. */
struct rise_colour {
    double ar;
    double first; /* variance of a block mean */
    double var, cov;
    double long_run; /* variance of a long mean times its number of blocks */
};

/* correlation in blocks (0 = white), m readings a block (at least 1) */
struct rise_colour rise_colour(double correlation_blocks, double m);

/* The data whitened and freed of p0 and r. Arrays are the caller's, n each. */
struct rise_system {
    size_t n;
    const double *t_s; /* borrowed */
    double *q0, *q1, *y, *theta, *scale;
    bool free_start, free_rate; /* p0 and r fitted; else zero */
    bool from_zero;             /* the transient starts at t = 0, not at the first point */
    double ar;
    double step_s;        /* of an even spacing; 0 when uneven */
    double mid_s, unit_s; /* u = (t - mid) / unit */
    double start_s;       /* t0 of the transient */
    double mean;          /* taken off y before all else (free_start only) */
    double length;        /* of the whitened slope column after p0: r's variance is s2 / length^2, per unit */
    double level;         /* p0 part: coefficient at u = 0, before mean, for the line */
    double slope;         /* r of the line, per unit */
    double c0_norm, c1_on_c0;
    double rss;     /* of the line */
    double log_det; /* of the covariance */
    int columns;
};

/* Prepare.  t strictly rising, n >= 3; the work arrays in *s are set by the caller before. */
void rise_prepare(struct rise_system *s, const struct rise_colour *colour, const double *t_s, const double *p, size_t n);

/* One tau: everything of the full model in closed form. */
struct rise_point {
    double tau_s;
    double norm;      /* |e|^2 of the transient column after p0 and r; variance of A is s2 / norm */
    double share;     /* slope of the transient column on u: r falls by it per unit of A */
    double level;     /* mean level of the transient column likewise */
    double amplitude; /* A */
    double rss;
    bool singular; /* the transient can not be told from the line */
};
struct rise_point rise_at(const struct rise_system *s, double tau_s);

/* Linear functional a r + b A with r per s. */
struct rise_estimate {
    double value, variance; /* variance in units of s2 */
    double with_amplitude;  /* covariance with A, in units of s2 */
};
struct rise_estimate rise_of_line(const struct rise_system *s, double a);
struct rise_estimate rise_of_point(const struct rise_system *s, const struct rise_point *point, double a, double b);

/* Pressure at the transient's start: p0 of the model. */
double rise_start(const struct rise_system *s, const struct rise_point *point);

/* Sign runs of the whitened residuals: z of the count against chance; strongly negative = a bend is left.
 * point NULL: residuals of the line. */
double rise_runs_z(const struct rise_system *s, const struct rise_point *point);

/* Minimum of rss over tau: scan of `count` points, even in log tau, between the ends.  Index of the least. */
size_t rise_scan(const struct rise_system *s, double least_s, double most_s, struct rise_point *points, size_t count);

/* Minimum between two taus by golden section in log tau, `steps` evaluations. */
struct rise_point rise_golden(const struct rise_system *s, double low_s, double high_s, int steps);

/* What one colour says of data whose columns (orthogonal in the plain sense) are to be freed of: for choosing among
 * colours by restricted likelihood. */
enum { RISE_COLUMNS = 4 };
struct rise_restricted {
    double rss, log_det, log_information;
    double variance; /* of sum of share[j] times coefficient j, in units of s2 */
};
struct rise_restricted rise_restrict(const struct rise_colour *colour, const double *const *column, int columns,
                                     const double *share, const double *y, size_t n);

#endif
