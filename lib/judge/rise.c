#include "taut/rise.h"

#include <math.h>

#include "judge/rise_core.h"

enum { SCAN = 40 };
static const double decades_short = 3, decades_long = 2; /* of tau about the record's length */

/* Solve the symmetric m x m system in place by Cholesky and give the diagonal of the inverse. False when not positive. */
static bool inverse_diagonal(double a[4][4], int m, double *diagonal)
{
    for (int k = 0; k < m; k++) {
        for (int j = 0; j <= k; j++) {
            for (int i = 0; i < j; i++)
                a[k][j] -= a[k][i] * a[j][i];
            if (j < k)
                a[k][j] /= a[j][j];
        }
        if (!(a[k][k] > 0))
            return false;
        a[k][k] = sqrt(a[k][k]);
    }
    for (int c = 0; c < m; c++) { /* column c of the inverse of the factor; its squares add up */
        double x[4] = {0};
        diagonal[c] = 0;
        for (int k = c; k < m; k++) {
            x[k] = k == c ? 1 : 0;
            for (int i = c; i < k; i++)
                x[k] -= a[k][i] * x[i];
            x[k] /= a[k][k];
            diagonal[c] += x[k] * x[k];
        }
    }
    return true;
}

/* Columns of the Jacobian, scaled so that each is of order one. */
static int jacobian(const struct taut_rise_fit *f, unsigned free, double t_s, double scale_s, double *row)
{
    double decay = exp(-t_s / f->tau_s);
    int m = 0;
    row[m++] = 1 - decay;
    row[m++] = -f->amplitude * t_s / f->tau_s * decay; /* by log tau */
    if (free & TAUT_RISE_FREE_START)
        row[m++] = 1;
    if (free & TAUT_RISE_FREE_RATE)
        row[m++] = t_s / scale_s;
    return m;
}

static double model(const struct taut_rise_fit *f, double t_s)
{
    return f->p0 + f->amplitude * -expm1(-t_s / f->tau_s) + f->rate_per_s * t_s;
}

/* From here on the sum of squares is too flat for a search by its value: its gradient by log tau, the linear rest
 * projected out, is driven to zero. */
static void take(const struct rise_system *s, const struct rise_point *point, unsigned free, struct taut_rise_fit *f)
{
    f->tau_s = point->tau_s;
    f->amplitude = point->amplitude;
    double slope = (s->slope - point->share * point->amplitude) / s->unit_s;
    double level = s->mean + s->level - point->level * point->amplitude;
    f->rate_per_s = free & TAUT_RISE_FREE_RATE ? slope : 0;
    f->p0 = free & TAUT_RISE_FREE_START ? level - f->rate_per_s * s->mid_s : 0;
    f->rss = point->rss;
}

/* Gauss-Newton step for log tau: the residual on the part of the tau column that the linear columns leave. */
static double tau_step(const struct taut_rise_fit *f, unsigned free, const double *t_s, const double *p, size_t n)
{
    double g[4][4] = {{0}}, b[4] = {0}, row[4];
    int m = 0;
    for (size_t i = 0; i < n; i++) {
        m = jacobian(f, free, t_s[i], t_s[n - 1] - t_s[0], row);
        double e = p[i] - model(f, t_s[i]);
        for (int k = 0; k < m; k++) {
            b[k] += row[k] * e;
            for (int j = 0; j < m; j++)
                g[k][j] += row[k] * row[j];
        }
    }
    /* Gauss elimination with the tau column last */
    int order[4] = {0, 2, 3, 1}, used = 0, index[4];
    for (int k = 0; k < 4; k++)
        if (order[k] < m)
            index[used++] = order[k];
    for (int k = 0; k < used; k++)
        for (int r = k + 1; r < used; r++) {
            double factor = g[index[r]][index[k]] / g[index[k]][index[k]];
            for (int c = 0; c < used; c++)
                g[index[r]][index[c]] -= factor * g[index[k]][index[c]];
            b[index[r]] -= factor * b[index[k]];
        }
    double pivot = g[1][1];
    return pivot > 0 ? b[1] / pivot : 0;
}

static bool errors(struct taut_rise_fit *f, unsigned free, const double *t_s, const double *p, size_t n, size_t parameters)
{
    double g[4][4] = {{0}}, row[4], diagonal[4], rss = 0, length_s = t_s[n - 1] - t_s[0];
    int m = 0;
    for (size_t i = 0; i < n; i++) {
        m = jacobian(f, free, t_s[i], length_s, row);
        double e = p[i] - model(f, t_s[i]);
        rss += e * e;
        for (int k = 0; k < m; k++)
            for (int j = 0; j <= k; j++)
                g[k][j] += row[k] * row[j];
    }
    f->rss = rss;
    f->residual_sd = sqrt(rss / (double)(n - parameters));
    if (!inverse_diagonal(g, m, diagonal))
        return false;
    m = 0;
    f->u_amplitude = f->residual_sd * sqrt(diagonal[m++]);
    f->u_tau_s = f->residual_sd * sqrt(diagonal[m++]) * f->tau_s;
    f->u_p0 = free & TAUT_RISE_FREE_START ? f->residual_sd * sqrt(diagonal[m++]) : 0;
    f->u_rate_per_s = free & TAUT_RISE_FREE_RATE ? f->residual_sd * sqrt(diagonal[m]) / length_s : 0;
    return true;
}

static double aicc(double rss, double n, double k)
{
    return n * log(rss / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1);
}

enum taut_status taut_rise_fit(const double *t_s, const double *p, size_t n, unsigned free, double *work,
                               struct taut_rise_fit *out)
{
    if (free > (TAUT_RISE_FREE_START | TAUT_RISE_FREE_RATE))
        return TAUT_E_ARG;
    size_t linear = (free & TAUT_RISE_FREE_START ? 1 : 0) + (free & TAUT_RISE_FREE_RATE ? 1 : 0), parameters = linear + 2;
    if (n < parameters + 2)
        return TAUT_E_FEW;
    for (size_t i = 1; i < n; i++)
        if (!(t_s[i] > t_s[i - 1]))
            return TAUT_E_SPREAD;
    struct rise_system s = {.q0 = work,
                            .q1 = work + n,
                            .y = work + 2 * n,
                            .theta = work + 3 * n,
                            .scale = work + 4 * n,
                            .free_start = (free & TAUT_RISE_FREE_START) != 0,
                            .free_rate = (free & TAUT_RISE_FREE_RATE) != 0,
                            .from_zero = true};
    struct rise_colour white = rise_colour(0, 1);
    rise_prepare(&s, &white, t_s, p, n);
    if (!(s.rss > 0))
        return TAUT_E_SPREAD;
    struct rise_point point[SCAN];
    double length_s = t_s[n - 1] - t_s[0];
    size_t at = rise_scan(&s, length_s * pow(10, -decades_short), length_s * pow(10, decades_long), point, SCAN);
    if (point[at].singular)
        return TAUT_E_SINGULAR;
    struct taut_rise_fit f = {.rss_line = s.rss, .at_bound = at == 0 || at == SCAN - 1};
    struct rise_point best = f.at_bound ? point[at] : rise_golden(&s, point[at - 1].tau_s, point[at + 1].tau_s, 20);
    take(&s, &best, free, &f);
    for (int i = 0; i < 30 && !f.at_bound; i++) {
        double step = tau_step(&f, free, t_s, p, n);
        step = fmin(fmax(step, -0.2), 0.2);
        best = rise_at(&s, f.tau_s * exp(step));
        take(&s, &best, free, &f);
        if (fabs(step) < 1e-13)
            break;
    }
    if (!errors(&f, free, t_s, p, n, parameters))
        return TAUT_E_SINGULAR;
    double s2 = f.residual_sd * f.residual_sd, left = at >= 4 ? point[at - 4].rss : s.rss;
    double right = at + 4 < SCAN ? point[at + 4].rss : s.rss;
    f.flat = fmin(left, right) - f.rss < 2 * s2; /* half a decade of tau away it fits as well */
    f.aicc = aicc(f.rss, (double)n, (double)parameters + 1);
    f.aicc_line = aicc(f.rss_line, (double)n, (double)linear + 1);
    f.runs_z = rise_runs_z(&s, &best);
    f.runs_z_line = rise_runs_z(&s, NULL);
    f.favoured = f.aicc_line - f.aicc > 2 && f.amplitude > 0 && !f.flat && !f.at_bound;
    *out = f;
    return TAUT_OK;
}

double taut_rise_least_sd(double n0, double span_s, double tau_s, enum taut_rise_knowledge knowledge)
{
    if (!(n0 > 0) || !(span_s > 0) || (knowledge != TAUT_RISE_NO_TRANSIENT && !(tau_s > 0)))
        return NAN;
    /* Gram-Schmidt of t against 1, e, t e on a fine midpoint grid; the length left is the information about r */
    enum { GRID = 400, COLUMNS = 4 };
    double column[COLUMNS][GRID], information = 0;
    int columns = knowledge == TAUT_RISE_NO_TRANSIENT ? 1 : knowledge == TAUT_RISE_TAU_KNOWN ? 2 : 3;
    for (int i = 0; i < GRID; i++) {
        double x = (i + 0.5) / GRID, k = span_s / tau_s;
        column[0][i] = 1;
        column[1][i] = columns > 1 ? exp(-k * x) : 0;
        column[2][i] = columns > 2 ? k * x * column[1][i] : 0;
        column[COLUMNS - 1][i] = x;
    }
    for (int c = 0; c <= columns; c++) {
        double *x = column[c < columns ? c : COLUMNS - 1];
        for (int again = 0; again < 2; again++) /* twice: the columns are nearly alike for a short record */
            for (int k = 0; k < c; k++) {
                double on = 0;
                for (int i = 0; i < GRID; i++)
                    on += x[i] * column[k][i];
                for (int i = 0; i < GRID; i++)
                    x[i] -= on * column[k][i];
            }
        information = 0;
        for (int i = 0; i < GRID; i++)
            information += x[i] * x[i];
        for (int i = 0; c < columns && i < GRID; i++)
            x[i] /= sqrt(information);
    }
    return sqrt(n0 / (information / GRID * span_s)) / span_s;
}
