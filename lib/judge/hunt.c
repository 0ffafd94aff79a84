#include "taut/hunt.h"

#include <math.h>
#include <string.h>

enum { REFIT = 32, MEMORY = 1200, WARM = 20, JUMP = 4 };
static const double first_sigma_pa = 20, near_s = 0.1, far_s = 3.0, gap_s = 20, wild = 6, clip = 6;

void taut_hunt_init(struct taut_hunt *hunt, double floor_pa, double agility)
{
    memset(hunt, 0, sizeof *hunt);
    hunt->floor_pa = fmax(floor_pa, 0.01);
    hunt->sigma_pa = fmax(floor_pa, first_sigma_pa);
    hunt->agility = agility;
    hunt->lag = TAUT_HUNT_LAG_MAX;
    hunt->stride = 1;
    hunt->rate_pa_per_s = hunt->u_rate_pa_per_s = hunt->level_pa = NAN;
}

/* Mean square of second differences of an AR(1) whose correlation over the lag is x, for sigma 1. */
static double second_ms(double x)
{
    return 2 * (1 - x) * (3 - x);
}

/* Noise from the two mean squares: correlation by bisection on their ratio, then the size. */
static void fit_noise(struct taut_hunt *hunt)
{
    double low = 0, high = 0.999;
    for (int i = 0; i < 24; i++) {
        double x = 0.5 * (low + high);
        if (second_ms(pow(x, hunt->lag)) * hunt->near_sq < second_ms(x) * hunt->far_sq)
            low = x;
        else
            high = x;
    }
    double x = 0.5 * (low + high);
    /* the longer lag tells the size better when the memory is long */
    hunt->sigma_pa = fmax(sqrt(hunt->far_sq / second_ms(pow(x, hunt->lag))), hunt->floor_pa);
    hunt->memory_s = x > 0.01 ? -hunt->spacing_s * hunt->stride / log(x) : 0;
}

static double ago(const struct taut_hunt *hunt, int k)
{
    return hunt->ring[(hunt->at - k + TAUT_HUNT_RING) % TAUT_HUNT_RING];
}

/* A second difference into its mean square; one wild reading, or a hand on the tape, counts for little. */
static void average(double *mean_sq, double second, double weight)
{
    double sq = second * second;
    if (*mean_sq > 0 && sq > wild * *mean_sq)
        sq = wild * *mean_sq;
    *mean_sq += weight * (sq - *mean_sq);
}

static void choose_lags(struct taut_hunt *hunt)
{
    double stride = near_s / hunt->spacing_s, lag = far_s / fmax(hunt->spacing_s, near_s);
    hunt->stride = stride < 1.5 ? 1 : (int)(stride + 0.5);
    hunt->lag = lag < 2 ? 2 : lag > TAUT_HUNT_LAG_MAX ? TAUT_HUNT_LAG_MAX : (int)(lag + 0.5);
    hunt->kept = hunt->since_gap = 0;
    hunt->lags_known = true;
}

static void learn(struct taut_hunt *hunt, double p_pa)
{
    if (hunt->since_gap == 0)
        hunt->offset_pa = p_pa;
    if (hunt->since_gap++ % (uint32_t)hunt->stride != 0)
        return;
    hunt->at = (hunt->at + 1) % TAUT_HUNT_RING;
    hunt->ring[hunt->at] = (float)(p_pa - hunt->offset_pa);
    hunt->kept++;
    if (hunt->kept == WARM && !hunt->lags_known)
        choose_lags(hunt);
    if (hunt->kept <= 2 * (uint32_t)hunt->lag)
        return;
    double weight = 1.0 / (hunt->learnt < MEMORY ? hunt->learnt + 1 : MEMORY);
    average(&hunt->near_sq, ago(hunt, 0) - 2 * ago(hunt, 1) + ago(hunt, 2), weight);
    average(&hunt->far_sq, ago(hunt, 0) - 2 * ago(hunt, hunt->lag) + ago(hunt, 2 * hunt->lag), weight);
    hunt->learnt++;
    if (hunt->learnt >= REFIT && hunt->learnt % REFIT == 0)
        fit_noise(hunt);
}

static void start(struct taut_hunt *hunt, double t_s, double p_pa)
{
    double v = hunt->sigma_pa * hunt->sigma_pa;
    hunt->x[0] = p_pa;
    hunt->x[1] = hunt->x[2] = 0;
    /* level known from one reading (its error is the noise's opposite); slope hardly at all */
    hunt->p[0] = hunt->p[5] = v;
    hunt->p[2] = -v;
    hunt->p[1] = hunt->p[4] = 0;
    hunt->p[3] = 1e4;
    hunt->t_s = t_s;
    hunt->n = 1;
    hunt->since_gap = hunt->kept = 0;
    hunt->level_pa = p_pa;
    hunt->clipped = 0;
}

static void predict(struct taut_hunt *hunt, double dt)
{
    double *p = hunt->p, *x = hunt->x, q = hunt->agility * hunt->agility, v = hunt->sigma_pa * hunt->sigma_pa;
    double phi = hunt->memory_s > 0 ? exp(-dt / hunt->memory_s) : 0;
    x[0] += x[1] * dt;
    x[2] *= phi;
    p[0] += dt * (2 * p[1] + dt * p[3]) + q * dt * dt * dt / 3;
    p[2] = phi * (p[2] + dt * p[4]);
    p[1] += dt * p[3] + q * dt * dt / 2;
    p[3] += q * dt;
    p[4] *= phi;
    p[5] = phi * phi * p[5] + (1 - phi * phi) * v;
}

/* The reading is level + noise, and a little of its own for rounding.  One wild reading moves the filter little;
 * several in a row are a jump, and it begins anew (false). */
static bool update(struct taut_hunt *hunt, double p_pa)
{
    double *p = hunt->p, *x = hunt->x;
    double g0 = p[0] + p[2], g1 = p[1] + p[4], g2 = p[2] + p[5];
    double s = g0 + g2 + hunt->floor_pa * hunt->floor_pa + 1e-3 * hunt->sigma_pa * hunt->sigma_pa;
    double e = p_pa - x[0] - x[2], bound = clip * sqrt(s);
    hunt->clipped = fabs(e) > bound ? hunt->clipped + 1 : 0;
    if (hunt->clipped >= JUMP)
        return false;
    e = fmin(fmax(e, -bound), bound);
    x[0] += g0 / s * e;
    x[1] += g1 / s * e;
    x[2] += g2 / s * e;
    p[0] -= g0 * g0 / s;
    p[1] -= g0 * g1 / s;
    p[2] -= g0 * g2 / s;
    p[3] -= g1 * g1 / s;
    p[4] -= g1 * g2 / s;
    p[5] -= g2 * g2 / s;
    return true;
}

void taut_hunt_push(struct taut_hunt *hunt, double t_s, double p_pa)
{
    double dt = t_s - hunt->t_s;
    if (!isfinite(p_pa) || (hunt->n > 0 && !(dt > 0)))
        return;
    if (hunt->n == 0 || dt > gap_s) {
        start(hunt, t_s, p_pa);
        learn(hunt, p_pa);
        return;
    }
    hunt->spacing_s = hunt->n == 1 ? dt : hunt->spacing_s + 0.05 * (dt - hunt->spacing_s);
    predict(hunt, dt);
    bool follows = update(hunt, p_pa);
    learn(hunt, p_pa);
    if (!follows) {
        double rate = hunt->x[1];
        start(hunt, t_s, p_pa);
        hunt->x[1] = rate;
        return;
    }
    hunt->t_s = t_s;
    hunt->n++;
    hunt->level_pa = hunt->x[0];
    if (hunt->n > 2) {
        hunt->rate_pa_per_s = hunt->x[1];
        hunt->u_rate_pa_per_s = sqrt(fmax(hunt->p[3], 0));
    }
}

double taut_hunt_agility_for(double noise_pa_per_s, double density)
{
    return pow(noise_pa_per_s / (0.626 * pow(density, 0.125)), 4.0 / 3.0);
}

void taut_hunt_set(struct taut_hunt *hunt, double level_pa, double rate_pa_per_s)
{
    hunt->x[0] = hunt->level_pa = level_pa;
    hunt->x[1] = hunt->rate_pa_per_s = rate_pa_per_s;
}

double taut_hunt_ticks_per_s(double rate_pa_per_s, double limit_pa_per_s)
{
    if (!isfinite(rate_pa_per_s) || !(limit_pa_per_s > 0))
        return 0;
    double decades = log10(fmax(rate_pa_per_s / limit_pa_per_s, 0.01)) + 1; /* 0 at a tenth of the limit, 2 at ten times */
    return fmin(fmax(pow(20.0, 0.5 * decades), 1.0), 20.0);
}
