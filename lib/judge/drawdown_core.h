/* What the files of the drawdown share. */
#ifndef TAUT_JUDGE_DRAWDOWN_CORE_H
#define TAUT_JUDGE_DRAWDOWN_CORE_H

#include <stdbool.h>

#include "taut/drawdown.h"

/* Part of the record: borrowed means. */
struct drawdown_span {
    const double *t_s, *p_pa;
    int n; /* at most TAUT_DRAWDOWN_BINS */
    double length_s;
};

struct drawdown_line {
    double end_pa; /* at the last point */
    double slope, u_slope, sd;
};

/* At least three points. */
struct drawdown_line drawdown_fit_line(const struct drawdown_span *s);

/* A curve with one parameter that is searched for, `rate` (per s); the others follow from it by linear least squares.
 * Times count from the span's first point. */
struct drawdown_curve {
    double rate, a, b, c, rss;
};
typedef struct drawdown_curve drawdown_at(const struct drawdown_span *s, double rate);

drawdown_at drawdown_exponential; /* a + b exp(-rate t) */
drawdown_at drawdown_drifting;    /* a + b exp(-rate t) + c t / length */
drawdown_at drawdown_hyperbola;   /* a / (1 + rate t) */

/* The best of its kind. */
struct drawdown_curve drawdown_fit(const struct drawdown_span *s, drawdown_at *at);

/* Standard uncertainty of a parameter of an exponential (3 columns) or one with drift (4); INFINITY when it has none. */
enum { DRAWDOWN_ASYMPTOTE = 0, DRAWDOWN_DRIFT = 3 };
double drawdown_parameter_u(const struct drawdown_span *s, const struct drawdown_curve *c, int columns, int wanted);

#endif
