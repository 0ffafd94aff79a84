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
    s->start_s = t_s[0];
    s->mid_s = s->free_start ? 0.5 * (t_s[0] + t_s[n - 1]) : 0;
    s->unit_s = 0.5 * (t_s[n - 1] - t_s[0]);
    s->columns = (s->free_start ? 1 : 0) + (s->free_rate ? 1 : 0);
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
    double decay = 1, factor = 1, step_s = -1, before = 0, innovation = 0;
    for (size_t i = 0; i < s->n; i++) {
        if (i > 0) {
            double gap_s = s->t_s[i] - s->t_s[i - 1];
            if (fabs(gap_s - step_s) > 1e-9 * gap_s) { /* even spacing needs one exponential in all */
                step_s = gap_s;
                factor = exp(-gap_s / tau_s);
            }
            decay *= factor;
        }
        double raw = 1 - decay;
        innovation = raw - s->ar * before - s->theta[i] * innovation;
        before = raw;
        double e = innovation * s->scale[i];
        ee += e * e;
        e0 += e * s->q0[i];
        e1 += e * s->q1[i];
        ey += e * s->y[i];
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

struct rise_pair rise_pair_at(const struct rise_system *s, double tau_s, double other_tau_s)
{
    const double tau[2] = {tau_s, other_tau_s};
    double decay[2] = {1, 1}, factor[2] = {1, 1}, before[2] = {0}, innovation[2] = {0}, step_s = -1;
    double square[2] = {0}, on0[2] = {0}, on1[2] = {0}, on_y[2] = {0}, cross = 0;
    for (size_t i = 0; i < s->n; i++) {
        double gap_s = i > 0 ? s->t_s[i] - s->t_s[i - 1] : step_s;
        bool uneven = i > 0 && fabs(gap_s - step_s) > 1e-9 * gap_s;
        double e[2];
        for (int k = 0; k < 2; k++) {
            if (uneven)
                factor[k] = exp(-gap_s / tau[k]);
            if (i > 0)
                decay[k] *= factor[k];
            double raw = 1 - decay[k];
            innovation[k] = raw - s->ar * before[k] - s->theta[i] * innovation[k];
            before[k] = raw;
            e[k] = innovation[k] * s->scale[i];
            square[k] += e[k] * e[k];
            on0[k] += e[k] * s->q0[i];
            on1[k] += e[k] * s->q1[i];
            on_y[k] += e[k] * s->y[i];
        }
        step_s = gap_s;
        cross += e[0] * e[1];
    }
    for (int k = 0; k < 2; k++)
        square[k] -= on0[k] * on0[k] + on1[k] * on1[k];
    cross -= on0[0] * on0[1] + on1[0] * on1[1];
    double first = on_y[0] * on_y[0] / square[0];
    double rest = square[1] - cross * cross / square[0], rest_y = on_y[1] - cross / square[0] * on_y[0];
    struct rise_pair out = {.rss = s->rss - first, .log_information = log(square[0])};
    if (rest > 1e-9 * square[1]) {
        out.rss -= rest_y * rest_y / rest;
        out.log_information += log(rest);
    }
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
    double decay = 1, before = 0, innovation = 0;
    double amplitude = point ? point->amplitude : 0;
    double e0 = 0, e1 = 0;
    if (point) {
        e1 = s->free_rate ? point->share * s->length : 0;
        e0 = s->free_start ? point->level * s->c0_norm + point->share * s->c1_on_c0 : 0;
    }
    double up = 0, down = 0, runs = 0;
    int last = 0;
    for (size_t i = 0; i < s->n; i++) {
        double residual = s->y[i];
        if (point) {
            if (i > 0)
                decay = exp(-(s->t_s[i] - s->start_s) / point->tau_s);
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

void rise_scan(const struct rise_system *s, double least_s, double most_s, struct rise_point *points, size_t count,
               struct rise_point *best, int refinements)
{
    double ratio = exp(log(most_s / least_s) / (double)(count - 1));
    double tau_s = least_s;
    size_t at = 0;
    for (size_t i = 0; i < count; i++, tau_s *= ratio) {
        points[i] = rise_at(s, tau_s);
        if (points[i].rss < points[at].rss)
            at = i;
    }
    /* golden section (Kiefer 1953) inside the bracket around the best of the scan */
    const double golden = 0.6180339887498949;
    double low = log(points[at > 0 ? at - 1 : 0].tau_s), high = log(points[at + 1 < count ? at + 1 : at].tau_s);
    *best = points[at];
    double left = high - golden * (high - low), right = low + golden * (high - low);
    struct rise_point a = rise_at(s, exp(left)), b = rise_at(s, exp(right));
    for (int i = 0; i < refinements; i++) {
        if (a.rss < best->rss)
            *best = a;
        if (b.rss < best->rss)
            *best = b;
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
    if (a.rss < best->rss)
        *best = a;
    if (b.rss < best->rss)
        *best = b;
}
