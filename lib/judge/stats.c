#include "taut/stats.h"

#include <math.h>

#include <gsl/gsl_cdf.h>

double taut_stats_normal_tail(double z)
{
    return 0.5 * erfc(z * 0.70710678118654752440);
}

/* Start from the rational approximation 26.2.23 of Abramowitz and Stegun (4.5e-4), then Halley steps on the tail,
 * each of which cubes the error. */
double taut_stats_normal_upper(double p)
{
    if (!(p > 0 && p < 1))
        return NAN;
    if (p > 0.5)
        return -taut_stats_normal_upper(1 - p);
    double t = sqrt(-2 * log(p));
    double z = t - (2.515517 + t * (0.802853 + t * 0.010328)) / (1 + t * (1.432788 + t * (0.189269 + t * 0.001308)));
    for (int i = 0; i < 3; i++) {
        double density = 0.39894228040143267794 * exp(-0.5 * z * z);
        if (!(density > 0))
            break;
        double error = (taut_stats_normal_tail(z) - p) / density;
        z += error / (1 - 0.5 * error * z);
    }
    return z;
}

/* GSL's error handler ends the process by default: nothing outside its domain may reach it. */
double taut_stats_t_upper(double p, double freedom)
{
    return p > 0 && p < 1 && freedom > 0 && isfinite(freedom) ? gsl_cdf_tdist_Qinv(p, freedom) : NAN;
}

double taut_stats_t_tail(double t, double freedom)
{
    return isfinite(t) && freedom > 0 && isfinite(freedom) ? gsl_cdf_tdist_Q(t, freedom) : NAN;
}

double taut_stats_chi2_upper(double p, double freedom)
{
    return p > 0 && p < 1 && freedom > 0 && isfinite(freedom) ? gsl_cdf_chisq_Qinv(p, freedom) : NAN;
}

double taut_stats_f_upper(double p, double d1, double d2)
{
    return p > 0 && p < 1 && d1 > 0 && d2 > 0 && isfinite(d1) && isfinite(d2) ? gsl_cdf_fdist_Qinv(p, d1, d2) : NAN;
}

double taut_stats_normal_of_t(double t, double freedom)
{
    double z = (8 * freedom + 1) / (8 * freedom + 3) * sqrt(freedom * log1p(t * t / freedom));
    return copysign(z, t);
}

double taut_stats_t_of_normal(double z, double freedom)
{
    double w = z * (8 * freedom + 3) / (8 * freedom + 1);
    return copysign(sqrt(freedom * expm1(w * w / freedom)), z);
}

enum taut_status taut_stats_summarise(const double *x, size_t n, struct taut_stats_summary *out)
{
    if (n < 2)
        return TAUT_E_FEW;
    /* from the first value on: a large common offset costs no digits */
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += x[i] - x[0];
    double offset = sum / (double)n, square = 0, rest = 0, product = 0, before = 0;
    for (size_t i = 0; i < n; i++) {
        double d = (x[i] - x[0]) - offset;
        square += d * d;
        rest += d;
        if (i > 0)
            product += before * d;
        before = d;
    }
    square -= rest * rest / (double)n;
    *out = (struct taut_stats_summary){.mean = x[0] + offset};
    if (!(square > 0))
        return TAUT_E_SPREAD;
    out->sd = sqrt(square / (double)(n - 1));
    out->r1 = product / square;
    return TAUT_OK;
}

double taut_stats_runs_z(const double *x, size_t n)
{
    double up = 0, down = 0, runs = 0;
    int last = 0;
    for (size_t i = 0; i < n; i++) {
        int sign = x[i] >= 0 ? 1 : -1;
        up += sign > 0;
        down += sign < 0;
        runs += sign != last;
        last = sign;
    }
    if (up < 1 || down < 1)
        return 0;
    double mean = 1 + 2 * up * down / (up + down);
    double variance = (mean - 1) * (mean - 2) / (up + down - 1);
    return variance > 0 ? (runs - mean) / sqrt(variance) : 0;
}

double taut_stats_conformance(double measured, double u, double low, double high)
{
    if (!(u > 0))
        return NAN;
    double below = isnan(low) ? 0 : taut_stats_normal_tail((measured - low) / u);
    double above = isnan(high) ? 0 : taut_stats_normal_tail((high - measured) / u);
    return 1 - below - above;
}

struct taut_guard taut_stats_guard(double limit, double u, double risk)
{
    double band = taut_stats_normal_upper(risk) * u;
    return (struct taut_guard){limit - band, limit + band};
}

/* Simpson's rule over the process from the limit outwards, where the integrands are smooth. */
void taut_stats_global_risk(double process_mean, double process_sd, double u, double limit, double guard, double *false_accept,
                            double *false_reject)
{
    const int steps = 2000; /* even */
    const double reach = 10;
    double width = reach * (process_sd + fabs(limit - process_mean) / reach), h = width / steps, sum[2] = {0, 0};
    for (int side = 0; side < 2; side++) {
        for (int i = 0; i <= steps; i++) {
            double value = limit + (side == 0 ? i : -i) * h, z = (value - process_mean) / process_sd;
            double wrong = side == 0 ? taut_stats_normal_tail((value - limit + guard) / u)
                                     : taut_stats_normal_tail((limit - guard - value) / u);
            double weight = i == 0 || i == steps ? 1 : i % 2 ? 4 : 2;
            sum[side] += weight * exp(-0.5 * z * z) * wrong;
        }
        sum[side] *= h / 3 * 0.39894228040143267794 / process_sd;
    }
    *false_accept = sum[0];
    *false_reject = sum[1];
}

struct taut_sprt taut_stats_sprt(double alpha, double beta)
{
    return (struct taut_sprt){.log_a = log((1 - beta) / alpha), .log_b = log(beta / (1 - alpha))};
}

double taut_stats_sprt_accepts(const struct taut_sprt *test, double shift, double sigma, double mean)
{
    (void)sigma; /* the root of the moment generating function does not depend on it */
    double h = 1 - 2 * mean / shift;
    if (fabs(h) < 1e-9) /* no drift: a fair walk between the bounds */
        return test->log_a / (test->log_a - test->log_b);
    return expm1(h * test->log_a) / (exp(h * test->log_a) - exp(h * test->log_b));
}

double taut_stats_sprt_length(const struct taut_sprt *test, double shift, double sigma, double mean)
{
    double drift = shift / (sigma * sigma) * (mean - 0.5 * shift), spread = shift / sigma;
    if (fabs(drift) < 1e-9 * spread * spread)
        return -test->log_a * test->log_b / (spread * spread);
    double accepts = taut_stats_sprt_accepts(test, shift, sigma, mean);
    return (accepts * test->log_b + (1 - accepts) * test->log_a) / drift;
}
