/* Curves through the means of a drawdown, by least squares. */
#include <math.h>

#include "judge/drawdown_core.h"

/* A sum of squares is too small a measure when neighbours err alike: their correlation widens it. */
static double widening(double products, double squares)
{
    double phi = squares > 0 ? fmin(fmax(products / squares, 0), 0.95) : 0;
    return (1 + phi) / (1 - phi);
}

struct drawdown_line drawdown_fit_line(const struct drawdown_span *s)
{
    double mt = 0, mp = 0, stt = 0, stp = 0;
    for (int i = 0; i < s->n; i++) {
        mt += s->t_s[i] / s->n;
        mp += s->p_pa[i] / s->n;
    }
    for (int i = 0; i < s->n; i++) {
        stt += (s->t_s[i] - mt) * (s->t_s[i] - mt);
        stp += (s->t_s[i] - mt) * (s->p_pa[i] - mp);
    }
    struct drawdown_line out = {.slope = stp / stt};
    out.end_pa = mp + out.slope * (s->t_s[s->n - 1] - mt);
    double squares = 0, products = 0, before = 0;
    for (int i = 0; i < s->n; i++) {
        double r = s->p_pa[i] - mp - out.slope * (s->t_s[i] - mt);
        squares += r * r;
        products += r * before;
        before = r;
    }
    out.sd = sqrt(squares / (s->n - 2));
    out.u_slope = sqrt(squares / (s->n - 2) / stt * widening(products, squares));
    return out;
}

/* Inverse of a small symmetric positive matrix, in place.  false: it has none. */
static bool invert(double m[4][4], int n)
{
    for (int k = 0; k < n; k++) {
        double pivot = m[k][k];
        if (!(pivot > 0))
            return false;
        m[k][k] = 1;
        for (int j = 0; j < n; j++)
            m[k][j] /= pivot;
        for (int i = 0; i < n; i++) {
            double factor = m[i][k];
            if (i == k)
                continue;
            m[i][k] = 0;
            for (int j = 0; j < n; j++)
                m[i][j] -= factor * m[k][j];
        }
    }
    return true;
}

struct drawdown_curve drawdown_exponential(const struct drawdown_span *s, double rate)
{
    double me = 0, mp = 0, see = 0, sep = 0, rss = 0;
    double e[TAUT_DRAWDOWN_BINS];
    for (int i = 0; i < s->n; i++) {
        e[i] = exp(-rate * (s->t_s[i] - s->t_s[0]));
        me += e[i] / s->n;
        mp += s->p_pa[i] / s->n;
    }
    for (int i = 0; i < s->n; i++) {
        see += (e[i] - me) * (e[i] - me);
        sep += (e[i] - me) * (s->p_pa[i] - mp);
    }
    struct drawdown_curve out = {.rate = rate, .b = see > 0 ? sep / see : 0};
    out.a = mp - out.b * me;
    for (int i = 0; i < s->n; i++) {
        double r = s->p_pa[i] - out.a - out.b * e[i];
        rss += r * r;
    }
    out.rss = rss;
    return out;
}

/* An exponential over a straight drift, in units of the span: a + b e + c t/length. */
struct drawdown_curve drawdown_drifting(const struct drawdown_span *s, double rate)
{
    struct drawdown_curve out = {.rate = rate, .rss = (double)INFINITY};
    double m[4][4] = {{0}}, v[3] = {0}, x[3] = {0};
    for (int i = 0; i < s->n; i++) {
        double t = s->t_s[i] - s->t_s[0];
        double row[3] = {1, exp(-rate * t), t / s->length_s};
        for (int j = 0; j < 3; j++) {
            v[j] += row[j] * (s->p_pa[i] - s->p_pa[0]);
            for (int k = 0; k < 3; k++)
                m[j][k] += row[j] * row[k];
        }
    }
    if (!invert(m, 3))
        return out;
    for (int j = 0; j < 3; j++)
        for (int k = 0; k < 3; k++)
            x[j] += m[j][k] * v[k];
    out.a = x[0] + s->p_pa[0];
    out.b = x[1];
    out.c = x[2];
    out.rss = 0;
    for (int i = 0; i < s->n; i++) {
        double t = s->t_s[i] - s->t_s[0];
        double r = s->p_pa[i] - out.a - out.b * exp(-rate * t) - out.c * t / s->length_s;
        out.rss += r * r;
    }
    return out;
}

struct drawdown_curve drawdown_hyperbola(const struct drawdown_span *s, double rate)
{
    double sgg = 0, sgp = 0, rss = 0;
    for (int i = 0; i < s->n; i++) {
        double g = 1 / (1 + rate * (s->t_s[i] - s->t_s[0]));
        sgg += g * g;
        sgp += g * s->p_pa[i];
    }
    struct drawdown_curve out = {.rate = rate, .a = sgp / sgg};
    for (int i = 0; i < s->n; i++) {
        double r = s->p_pa[i] - out.a / (1 + rate * (s->t_s[i] - s->t_s[0]));
        rss += r * r;
    }
    out.rss = rss;
    return out;
}

/* Least squares over the searched parameter: a coarse scan of its logarithm, then golden section between the
 * neighbours of the best. */
struct drawdown_curve drawdown_fit(const struct drawdown_span *s, drawdown_at *at)
{
    enum { SCAN = 12, STEPS = 22 };
    const double golden = 0.6180339887498949, low = log(0.02 / s->length_s), high = log(40 / s->length_s);
    const double step = (high - low) / (SCAN - 1);
    struct drawdown_curve best = at(s, exp(low));
    int best_i = 0;
    for (int i = 1; i < SCAN; i++) {
        struct drawdown_curve c = at(s, exp(low + i * step));
        if (c.rss < best.rss) {
            best = c;
            best_i = i;
        }
    }
    double left = low + (best_i - 1) * step, right = low + (best_i + 1) * step;
    double x1 = right - golden * (right - left), x2 = left + golden * (right - left);
    struct drawdown_curve c1 = at(s, exp(x1)), c2 = at(s, exp(x2));
    for (int i = 0; i < STEPS; i++) {
        if (c1.rss < c2.rss) {
            right = x2;
            x2 = x1;
            c2 = c1;
            x1 = right - golden * (right - left);
            c1 = at(s, exp(x1));
        } else {
            left = x1;
            x1 = x2;
            c1 = c2;
            x2 = left + golden * (right - left);
            c2 = at(s, exp(x2));
        }
    }
    struct drawdown_curve last = c1.rss < c2.rss ? c1 : c2;
    return last.rss < best.rss ? last : best;
}

/* Standard uncertainty of a parameter of an exponential (`columns` 3) or one with drift (4), from the inverse normal
 * matrix of all its parameters and the residuals, whose correlation widens it. */
double drawdown_parameter_u(const struct drawdown_span *s, const struct drawdown_curve *c, int columns, int wanted)
{
    double m[4][4] = {{0}}, squares = 0, products = 0, before = 0;
    for (int i = 0; i < s->n; i++) {
        double t = s->t_s[i] - s->t_s[0], e = exp(-c->rate * t);
        double row[4] = {1, e, -c->b * t * c->rate * e, t / s->length_s}; /* third: by the logarithm of the rate */
        for (int j = 0; j < columns; j++)
            for (int k = 0; k < columns; k++)
                m[j][k] += row[j] * row[k];
        double r = s->p_pa[i] - c->a - c->b * e - c->c * t / s->length_s;
        squares += r * r;
        products += r * before;
        before = r;
    }
    if (s->n <= columns || !invert(m, columns) || !(m[wanted][wanted] >= 0))
        return (double)INFINITY;
    return sqrt(squares / (s->n - columns) * widening(products, squares) * m[wanted][wanted]);
}
