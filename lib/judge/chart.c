#include "taut/chart.h"

#include <math.h>

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>

void taut_cusum_init(struct taut_cusum *cusum, double target, double slack, double limit)
{
    *cusum = (struct taut_cusum){.target = target, .slack = slack, .limit = limit};
}

int taut_cusum_push(struct taut_cusum *cusum, double x)
{
    if (!isfinite(x))
        return 0;
    cusum->high = fmax(0, cusum->high + x - cusum->target - cusum->slack);
    cusum->low = fmax(0, cusum->low + cusum->target - cusum->slack - x);
    if (cusum->high > cusum->limit)
        return 1;
    return cusum->low > cusum->limit ? -1 : 0;
}

enum { NODES = 48 };

/* Gauss-Legendre nodes and weights on (0, length): Newton from the usual starting guess. */
static void nodes_on(double length, double x[NODES], double w[NODES])
{
    for (int i = 0; i < NODES; i++) {
        double z = cos(3.14159265358979323846 * (i + 0.75) / (NODES + 0.5)), slope = 1;
        for (int step = 0; step < 20; step++) {
            double p0 = 1, p1 = 0;
            for (int j = 0; j < NODES; j++) {
                double p2 = p1;
                p1 = p0;
                p0 = ((2 * j + 1) * z * p1 - j * p2) / (j + 1);
            }
            slope = NODES * (z * p0 - p1) / (z * z - 1);
            double move = p0 / slope;
            z -= move;
            if (fabs(move) < 1e-15)
                break;
        }
        x[i] = 0.5 * length * (1 - z);
        w[i] = length / ((1 - z * z) * slope * slope);
    }
}

/* Gaussian elimination with pivoting; the solution replaces b. */
static bool solve(double a[NODES + 1][NODES + 1], double b[NODES + 1])
{
    enum { N = NODES + 1 };
    for (int c = 0; c < N; c++) {
        int pivot = c;
        for (int r = c + 1; r < N; r++)
            if (fabs(a[r][c]) > fabs(a[pivot][c]))
                pivot = r;
        if (!(fabs(a[pivot][c]) > 1e-300))
            return false;
        for (int k = c; k < N; k++) {
            double t = a[c][k];
            a[c][k] = a[pivot][k];
            a[pivot][k] = t;
        }
        double t = b[c];
        b[c] = b[pivot];
        b[pivot] = t;
        for (int r = c + 1; r < N; r++) {
            double f = a[r][c] / a[c][c];
            for (int k = c; k < N; k++)
                a[r][k] -= f * a[c][k];
            b[r] -= f * b[c];
        }
    }
    for (int r = N - 1; r >= 0; r--) {
        for (int k = r + 1; k < N; k++)
            b[r] -= a[r][k] * b[k];
        b[r] /= a[r][r];
    }
    return true;
}

double taut_cusum_run_length(double k, double h, double shift)
{
    if (!isfinite(k) || !(h > 0) || !isfinite(h) || !isfinite(shift))
        return NAN;
    /* L(u) = 1 + L(0) P(u + X - k <= 0) + integral over (0, h) of L(x) f(x + k - u - shift) dx; unknowns: L(0), L(x_i) */
    double x[NODES], w[NODES], a[NODES + 1][NODES + 1], b[NODES + 1];
    nodes_on(h, x, w);
    for (int r = 0; r <= NODES; r++) {
        double u = r == 0 ? 0 : x[r - 1];
        a[r][0] = -gsl_cdf_ugaussian_P(k - u - shift);
        for (int c = 1; c <= NODES; c++)
            a[r][c] = -w[c - 1] * gsl_ran_ugaussian_pdf(x[c - 1] + k - u - shift);
        a[r][r] += 1;
        b[r] = 1;
    }
    return solve(a, b) ? b[0] : NAN;
}

double taut_cusum_run_length_siegmund(double k, double h, double shift)
{
    double d = shift - k, b = h + 1.166;
    if (fabs(d) < 1e-9)
        return b * b;
    return (exp(-2 * d * b) + 2 * d * b - 1) / (2 * d * d);
}

double taut_cusum_run_length_two_sided(double k, double h, double shift)
{
    return 1 / (1 / taut_cusum_run_length(k, h, shift) + 1 / taut_cusum_run_length(k, h, -shift));
}

double taut_cusum_limit(double k, double run_length)
{
    double low = 0.01, high = 12;
    if (!(k >= 0) || !(run_length > taut_cusum_run_length(k, low, 0)) || !(run_length < taut_cusum_run_length(k, high, 0)))
        return NAN;
    for (int i = 0; i < 60; i++) {
        double middle = 0.5 * (low + high);
        if (taut_cusum_run_length(k, middle, 0) < run_length)
            low = middle;
        else
            high = middle;
    }
    return 0.5 * (low + high);
}

enum taut_status taut_individuals_limits(const double *x, size_t n, struct taut_individuals *out)
{
    if (n < 2)
        return TAUT_E_FEW;
    double sum = 0, ranges = 0;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]))
            return TAUT_E_ARG;
        sum += x[i];
        if (i > 0)
            ranges += fabs(x[i] - x[i - 1]);
    }
    double centre = sum / (double)n, range = ranges / (double)(n - 1);
    *out = (struct taut_individuals){centre, range, centre + 3 * range / 1.128, centre - 3 * range / 1.128, 3.267 * range};
    return TAUT_OK;
}
