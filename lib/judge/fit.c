#include "taut/fit.h"

#include <math.h>

static double mean_of(const double *x, size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += x[i] - x[0];
    return x[0] + sum / (double)n;
}

static double residual(const struct taut_fit_line *line, double x, double y)
{
    return y - line->intercept - line->slope * x;
}

/* Fills what follows from the residuals. */
static void describe(const double *x, const double *y, size_t n, size_t parameters, double total, struct taut_fit_line *line)
{
    double rss = 0, product = 0, steps = 0, before = 0;
    for (size_t i = 0; i < n; i++) {
        double e = residual(line, x[i], y[i]);
        rss += e * e;
        if (i > 0) {
            product += e * before;
            steps += (e - before) * (e - before);
        }
        before = e;
    }
    line->residual_sd = n > parameters ? sqrt(rss / (double)(n - parameters)) : 0;
    line->r_squared = total > 0 ? 1 - rss / total : 0;
    line->r1 = rss > 0 ? product / rss : 0;
    line->durbin_watson = rss > 0 ? steps / rss : 0;
}

enum taut_status taut_fit_line(const double *x, const double *y, size_t n, struct taut_fit_line *out)
{
    if (n < 3)
        return TAUT_E_FEW;
    double mx = mean_of(x, n), my = mean_of(y, n), xx = 0, xy = 0, yy = 0;
    for (size_t i = 0; i < n; i++) {
        xx += (x[i] - mx) * (x[i] - mx);
        xy += (x[i] - mx) * (y[i] - my);
        yy += (y[i] - my) * (y[i] - my);
    }
    if (!(xx > 0))
        return TAUT_E_SPREAD;
    struct taut_fit_line line = {.slope = xy / xx};
    line.intercept = my - line.slope * mx;
    describe(x, y, n, 2, yy, &line);
    line.u_slope = line.residual_sd / sqrt(xx);
    line.u_intercept = line.residual_sd * sqrt(1 / (double)n + mx * mx / xx);
    *out = line;
    return TAUT_OK;
}

enum taut_status taut_fit_origin(const double *x, const double *y, size_t n, struct taut_fit_line *out)
{
    if (n < 2)
        return TAUT_E_FEW;
    double xx = 0, xy = 0, yy = 0;
    for (size_t i = 0; i < n; i++) {
        xx += x[i] * x[i];
        xy += x[i] * y[i];
        yy += y[i] * y[i];
    }
    if (!(xx > 0))
        return TAUT_E_SPREAD;
    struct taut_fit_line line = {.slope = xy / xx};
    describe(x, y, n, 1, yy, &line);
    line.u_slope = line.residual_sd / sqrt(xx);
    *out = line;
    return TAUT_OK;
}

/* Sandwich: bread (X'X)^-1 about the mean of x, where it is diagonal, filling the Bartlett sum of score products. */
enum taut_status taut_fit_newey_west(const double *x, const double *y, size_t n, const struct taut_fit_line *line, size_t lag,
                                     struct taut_fit_errors *out)
{
    if (lag >= n || n < 3)
        return TAUT_E_ARG;
    double mx = mean_of(x, n), xx = 0;
    for (size_t i = 0; i < n; i++)
        xx += (x[i] - mx) * (x[i] - mx);
    if (!(xx > 0))
        return TAUT_E_SPREAD;
    double s00 = 0, s01 = 0, s11 = 0;
    for (size_t l = 0; l <= lag; l++) {
        double weight = l == 0 ? 0.5 : 1 - (double)l / (double)(lag + 1); /* halved: each product is counted twice below */
        for (size_t i = l; i < n; i++) {
            double product = weight * residual(line, x[i], y[i]) * residual(line, x[i - l], y[i - l]);
            double a = x[i] - mx, b = x[i - l] - mx;
            s00 += 2 * product;
            s01 += product * (a + b);
            s11 += 2 * product * a * b;
        }
    }
    double count = (double)n, slope_slope = s11 / (xx * xx), mean_slope = s01 / (count * xx), mean_mean = s00 / (count * count);
    out->u_slope = sqrt(fmax(0, slope_slope));
    out->u_intercept = sqrt(fmax(0, mean_mean - 2 * mx * mean_slope + mx * mx * slope_slope));
    out->covariance = mean_slope - mx * slope_slope;
    return TAUT_OK;
}

enum taut_status taut_fit_gls_ar1(const double *x, const double *y, size_t n, double phi, struct taut_fit_line *out)
{
    if (!(fabs(phi) < 1))
        return TAUT_E_ARG;
    if (n < 3)
        return TAUT_E_FEW;
    double mx = mean_of(x, n), first = sqrt(1 - phi * phi), g00 = 0, g01 = 0, g11 = 0, h0 = 0, h1 = 0;
    for (size_t i = 0; i < n; i++) {
        double c = i ? 1 - phi : first, u = i ? (x[i] - mx) - phi * (x[i - 1] - mx) : first * (x[i] - mx);
        double v = i ? y[i] - phi * y[i - 1] : first * y[i];
        g00 += c * c;
        g01 += c * u;
        g11 += u * u;
        h0 += c * v;
        h1 += u * v;
    }
    double determinant = g00 * g11 - g01 * g01;
    if (!(determinant > 1e-14 * g00 * g11))
        return TAUT_E_SPREAD;
    struct taut_fit_line line = {.slope = (g00 * h1 - g01 * h0) / determinant};
    double level = (g11 * h0 - g01 * h1) / determinant, rss = 0;
    line.intercept = level - line.slope * mx;
    for (size_t i = 0; i < n; i++) {
        double e = residual(&line, x[i], y[i]);
        double w = i ? e - phi * residual(&line, x[i - 1], y[i - 1]) : first * e;
        rss += w * w;
    }
    double s2 = rss / (double)(n - 2), total = 0, my = mean_of(y, n);
    for (size_t i = 0; i < n; i++)
        total += (y[i] - my) * (y[i] - my);
    describe(x, y, n, 2, total, &line);
    line.innovation_sd = sqrt(s2);
    line.u_slope = sqrt(s2 * g00 / determinant);
    line.u_intercept = sqrt(s2 * (g11 + 2 * mx * g01 + mx * mx * g00) / determinant);
    *out = line;
    return TAUT_OK;
}

double taut_fit_slope_sd_ar1(const double *x, size_t n, double phi, double sigma)
{
    if (n < 2 || !(fabs(phi) < 1))
        return NAN;
    double mx = mean_of(x, n), xx = 0, weighted = 0, carried = 0;
    for (size_t i = 0; i < n; i++) {
        double d = x[i] - mx;
        xx += d * d;
        weighted += d * d + 2 * d * carried; /* carried: sum over j < i of phi^(i-j) d_j */
        carried = phi * (carried + d);
    }
    return xx > 0 ? sigma * sqrt(weighted) / xx : NAN;
}

double taut_fit_effective_n(size_t n, double r1)
{
    return (double)n * (1 - r1) / (1 + r1);
}
