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
