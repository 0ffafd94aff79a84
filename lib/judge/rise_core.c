#include "judge/rise_core.h"

#include <math.h>

/* Autocovariance of means of m readings of an AR(1) process with unit variance: lag 0, lag 1, then a geometric
 * decay with phi^m. Sums of the geometric series phi^|i-j|, divided by m^2. */
struct rise_colour rise_colour(double correlation_blocks, double m)
{
    if (correlation_blocks <= 0) {
        double v = 1.0 / m;
        return (struct rise_colour){.ar = 0, .first = v, .var = v, .cov = 0, .long_run = v};
    }
    double rate = 1.0 / (m * correlation_blocks);
    double gap = -expm1(-rate); /* 1 - phi, without cancellation */
    double phi = exp(-rate), decay = exp(-1.0 / correlation_blocks);
    double g0 = ((1 + phi) / gap - 2 * phi * -expm1(-1.0 / correlation_blocks) / (m * gap * gap)) / m;
    double whole = -expm1(-1.0 / correlation_blocks) / (m * gap);
    double g1 = phi * whole * whole;
    if (m < 1.5)
        g0 = 1; /* one reading a block: exactly AR(1), and no rounding in the difference above */
    return (struct rise_colour){.ar = decay,
                                .first = g0,
                                .var = g0 * (1 + decay * decay) - 2 * decay * g1,
                                .cov = g1 - decay * g0,
                                .long_run = (1 + phi) / gap / m};
}

static double dot(const double *a, const double *b, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += a[i] * b[i];
    return sum;
}

/* Innovations of an ARMA(1,1) process (Brockwell and Davis, Time Series: Theory and Methods, section 5.3: the
 * quasi differences are MA(1), whose innovations need one coefficient a step). */
static void filter(struct rise_system *s, const struct rise_colour *c)
{
    double v = c->first;
    s->theta[0] = 0;
    s->scale[0] = 1 / sqrt(v);
    s->log_det = log(v);
    double product = 1;
    for (size_t i = 1; i < s->n; i++) {
        s->theta[i] = c->cov / v;
        v = c->var - c->cov * s->theta[i];
        s->scale[i] = 1 / sqrt(v);
        product *= v;
        if (product < 1e-200 || product > 1e200 || i + 1 == s->n) {
            s->log_det += log(product);
            product = 1;
        }
    }
    s->ar = c->ar;
}

static void whiten(const struct rise_system *s, double *x)
{
    double before = 0, innovation = 0;
    for (size_t i = 0; i < s->n; i++) {
        double raw = x[i];
        innovation = raw - s->ar * before - s->theta[i] * innovation;
        before = raw;
        x[i] = innovation * s->scale[i];
    }
}

void rise_prepare(struct rise_system *s, const struct rise_colour *colour, const double *t_s, const double *p, size_t n)
{
    s->n = n;
    s->t_s = t_s;
    s->start_s = s->from_zero ? 0 : t_s[0];
    s->mid_s = s->free_start ? 0.5 * (t_s[0] + t_s[n - 1]) : 0;
    s->unit_s = 0.5 * (t_s[n - 1] - t_s[0]);
    s->columns = (s->free_start ? 1 : 0) + (s->free_rate ? 1 : 0);
    s->step_s = (t_s[n - 1] - t_s[0]) / (double)(n - 1);
    for (size_t i = 1; i < n; i++) {
        if (fabs(t_s[i] - t_s[i - 1] - s->step_s) > 1e-6 * s->step_s) {
            s->step_s = 0;
            break;
        }
    }
    filter(s, colour);
    s->mean = 0;
    if (s->free_start) {
        for (size_t i = 0; i < n; i++)
            s->mean += p[i];
        s->mean /= (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        s->q0[i] = 1;
        s->q1[i] = (t_s[i] - s->mid_s) / s->unit_s;
        s->y[i] = p[i] - s->mean;
    }
    whiten(s, s->q0);
    whiten(s, s->q1);
    whiten(s, s->y);
    double y0 = 0;
    s->c0_norm = 1;
    s->c1_on_c0 = s->slope = s->length = 0;
    if (s->free_start) {
        s->c0_norm = sqrt(dot(s->q0, s->q0, n));
        for (size_t i = 0; i < n; i++)
            s->q0[i] /= s->c0_norm;
        y0 = dot(s->q0, s->y, n);
        s->c1_on_c0 = dot(s->q0, s->q1, n);
        for (size_t i = 0; i < n; i++) {
            s->y[i] -= y0 * s->q0[i];
            s->q1[i] -= s->c1_on_c0 * s->q0[i];
        }
    }
    if (s->free_rate) {
        s->length = sqrt(dot(s->q1, s->q1, n));
        for (size_t i = 0; i < n; i++)
            s->q1[i] /= s->length;
        double y1 = dot(s->q1, s->y, n);
        for (size_t i = 0; i < n; i++)
            s->y[i] -= y1 * s->q1[i];
        s->slope = y1 / s->length;
    }
    s->level = s->free_start ? (y0 - s->slope * s->c1_on_c0) / s->c0_norm : 0;
    s->rss = dot(s->y, s->y, n);
}

struct rise_point rise_at(const struct rise_system *s, double tau_s)
{
    struct rise_point out = {.tau_s = tau_s};
    double ee = 0, e0 = 0, e1 = 0, ey = 0;
    /* even spacing needs one exponential in all */
    double decay = s->from_zero ? exp(-s->t_s[0] / tau_s) : 1, factor = exp(-s->step_s / tau_s), before = 0, innovation = 0;
    const double ar = s->ar, *theta = s->theta, *scale = s->scale, *q0 = s->q0, *q1 = s->q1, *y = s->y;
    for (size_t i = 0; i < s->n; i++) {
        double raw = 1 - decay;
        innovation = raw - ar * before - theta[i] * innovation;
        before = raw;
        double e = innovation * scale[i];
        ee += e * e;
        e0 += e * q0[i];
        e1 += e * q1[i];
        ey += e * y[i];
        decay = s->step_s > 0 || i + 1 == s->n ? decay * factor : exp(-(s->t_s[i + 1] - s->start_s) / tau_s);
    }
    if (!s->free_start)
        e0 = 0;
    if (!s->free_rate)
        e1 = 0;
    out.norm = ee - e0 * e0 - e1 * e1;
    if (!(out.norm > 1e-11 * ee)) { /* lost in rounding: no curvature left to see */
        out.singular = true;
        out.norm = 1e-11 * ee + 1e-300;
        out.rss = s->rss;
        return out;
    }
    out.share = s->free_rate ? e1 / s->length : 0;
    out.level = s->free_start ? (e0 - out.share * s->c1_on_c0) / s->c0_norm : 0;
    out.amplitude = ey / out.norm;
    out.rss = fmax(0, s->rss - ey * out.amplitude);
    return out;
}

struct rise_estimate rise_of_line(const struct rise_system *s, double a)
{
    double k = a / s->unit_s;
    return (struct rise_estimate){.value = k * s->slope, .variance = k * k / (s->length * s->length)};
}

struct rise_estimate rise_of_point(const struct rise_system *s, const struct rise_point *point, double a, double b)
{
    double k = a / s->unit_s;
    double g = b - k * point->share;
    struct rise_estimate e = {.value = k * s->slope + g * point->amplitude, .with_amplitude = g / point->norm};
    e.variance = g * g / point->norm + (s->free_rate ? k * k / (s->length * s->length) : 0);
    return e;
}

double rise_start(const struct rise_system *s, const struct rise_point *point)
{
    double slope = s->slope, level = s->level;
    if (point) {
        slope -= point->share * point->amplitude;
        level -= point->level * point->amplitude;
    }
    return s->mean + level + slope * (s->start_s - s->mid_s) / s->unit_s;
}

double rise_runs_z(const struct rise_system *s, const struct rise_point *point)
{
    /* residual of the full model = y - A (e - projections); formed point by point again */
    double decay = s->from_zero && point ? exp(-s->t_s[0] / point->tau_s) : 1, before = 0, innovation = 0;
    double amplitude = point ? point->amplitude : 0;
    double e0 = 0, e1 = 0;
    if (point) {
        e1 = s->free_rate ? point->share * s->length : 0;
        e0 = s->free_start ? point->level * s->c0_norm + point->share * s->c1_on_c0 : 0;
    }
    double factor = point ? exp(-s->step_s / point->tau_s) : 0;
    double up = 0, down = 0, runs = 0;
    int last = 0;
    for (size_t i = 0; i < s->n; i++) {
        double residual = s->y[i];
        if (point) {
            if (i > 0)
                decay = s->step_s > 0 ? decay * factor : exp(-(s->t_s[i] - s->start_s) / point->tau_s);
            double raw = 1 - decay;
            innovation = raw - s->ar * before - s->theta[i] * innovation;
            before = raw;
            residual -= amplitude * (innovation * s->scale[i] - e0 * s->q0[i] - e1 * s->q1[i]);
        }
        int sign = residual >= 0 ? 1 : -1;
        up += sign > 0;
        down += sign < 0;
        runs += sign != last;
        last = sign;
    }
    double n = up + down;
    if (up < 1 || down < 1)
        return 0;
    /* Wald and Wolfowitz 1940: mean and variance of the number of runs */
    double mean = 1 + 2 * up * down / n;
    double variance = (mean - 1) * (mean - 2) / (n - 1);
    return variance > 0 ? (runs - mean) / sqrt(variance) : 0;
}

size_t rise_scan(const struct rise_system *s, double least_s, double most_s, struct rise_point *points, size_t count)
{
    double ratio = exp(log(most_s / least_s) / (double)(count - 1)), tau_s = least_s;
    size_t at = 0;
    for (size_t i = 0; i < count; i++, tau_s *= ratio) {
        points[i] = rise_at(s, tau_s);
        if (points[i].rss < points[at].rss)
            at = i;
    }
    return at;
}

struct rise_point rise_golden(const struct rise_system *s, double low_s, double high_s, int steps)
{
    const double golden = 0.6180339887498949; /* Kiefer 1953 */
    double low = log(low_s), high = log(high_s);
    double left = high - golden * (high - low), right = low + golden * (high - low);
    struct rise_point a = rise_at(s, exp(left)), b = rise_at(s, exp(right));
    for (int i = 2; i < steps; i++) {
        if (a.rss < b.rss) {
            high = right;
            right = left;
            b = a;
            left = high - golden * (high - low);
            a = rise_at(s, exp(left));
        } else {
            low = left;
            left = right;
            a = b;
            right = low + golden * (high - low);
            b = rise_at(s, exp(right));
        }
    }
    return a.rss < b.rss ? a : b;
}

enum { SIDES = RISE_COLUMNS + 1 };

/* One pass: filter and whitened products of all columns and y. `sides` is a constant where it is called, so that the
 * inner loops unroll. */
static inline double products(const struct rise_colour *c, const double *const *column, const int sides, size_t n,
                              double gram[SIDES][SIDES])
{
    double before[SIDES] = {0}, innovation[SIDES] = {0}, v = c->first, theta = 0, log_det = 0, product = 1;
    for (size_t i = 0; i < n; i++) {
        if (i > 0) {
            theta = c->cov / v;
            v = c->var - c->cov * theta;
        }
        product *= v;
        if (product < 1e-200 || product > 1e200) {
            log_det += log(product);
            product = 1;
        }
        double weight = 1 / v, weighted[SIDES];
#pragma GCC unroll 5
        for (int k = 0; k < sides; k++) {
            double raw = column[k][i];
            innovation[k] = raw - (i > 0 ? c->ar * before[k] : 0) - theta * innovation[k];
            before[k] = raw;
            weighted[k] = weight * innovation[k];
        }
#pragma GCC unroll 5
        for (int k = 0; k < sides; k++)
#pragma GCC unroll 5
            for (int j = 0; j <= k; j++)
                gram[k][j] += weighted[k] * innovation[j];
    }
    return log_det + log(product);
}

struct rise_restricted rise_restrict(const struct rise_colour *colour, const double *const *column, int columns,
                                     const double *share, const double *y, size_t n)
{
    double g[SIDES][SIDES] = {{0}};
    const double *all[SIDES] = {column[0], column[1], columns > 2 ? column[2] : y, columns > 2 ? column[3] : y, y};
    struct rise_restricted out = {0};
    out.log_det = columns > 2 ? products(colour, all, 5, n, g) : products(colour, all, 3, n, g);
    /* Cholesky; the last row ends as y on the columns, its corner as the rest of y */
    double c[SIDES] = {0};
    for (int k = 0; k <= columns; k++) {
        for (int j = 0; j < k; j++) {
            for (int i = 0; i < j; i++)
                g[k][j] -= g[k][i] * g[j][i];
            g[k][j] /= g[j][j];
            g[k][k] -= g[k][j] * g[k][j];
        }
        if (k == columns)
            break;
        g[k][k] = sqrt(fmax(g[k][k], 1e-300));
        out.log_information += 2 * log(g[k][k]);
        c[k] = share[k];
        for (int i = 0; i < k; i++)
            c[k] -= g[k][i] * c[i];
        c[k] /= g[k][k];
        out.variance += c[k] * c[k];
    }
    out.rss = fmax(0, g[columns][columns]);
    return out;
}
