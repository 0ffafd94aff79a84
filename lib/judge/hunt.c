#include "taut/hunt.h"

#include <math.h>
#include <string.h>

void taut_hunt_init(struct taut_hunt *hunt, double sigma_pa, double memory_s, double agility)
{
    memset(hunt, 0, sizeof *hunt);
    hunt->sigma_pa = sigma_pa;
    hunt->memory_s = memory_s;
    hunt->agility = agility;
    hunt->rate_pa_per_s = hunt->u_rate_pa_per_s = hunt->level_pa = NAN;
}

static void start(struct taut_hunt *hunt, double t_s, double p_pa)
{
    double v = hunt->sigma_pa * hunt->sigma_pa;
    hunt->x[0] = p_pa;
    hunt->x[1] = hunt->x[2] = 0;
    /* level known from one reading (its error is the noise's opposite); slope hardly at all */
    hunt->p[0] = v;
    hunt->p[1] = hunt->p[4] = 0;
    hunt->p[2] = -v;
    hunt->p[3] = 1e4;
    hunt->p[5] = v;
    hunt->t_s = t_s;
    hunt->n = 1;
    hunt->level_pa = p_pa;
}

void taut_hunt_push(struct taut_hunt *hunt, double t_s, double p_pa)
{
    if (hunt->n == 0 || t_s - hunt->t_s > 60) {
        start(hunt, t_s, p_pa);
        return;
    }
    double dt = t_s - hunt->t_s;
    if (dt <= 0)
        return;
    double *p = hunt->p, *x = hunt->x, q = hunt->agility * hunt->agility, v = hunt->sigma_pa * hunt->sigma_pa;
    double phi = hunt->memory_s > 0 ? exp(-dt / hunt->memory_s) : 0;
    /* predict */
    x[0] += x[1] * dt;
    x[2] *= phi;
    p[0] += dt * (2 * p[1] + dt * p[3]) + q * dt * dt * dt / 3;
    p[2] = phi * (p[2] + dt * p[4]);
    p[1] += dt * p[3] + q * dt * dt / 2;
    p[3] += q * dt;
    p[4] *= phi;
    p[5] = phi * phi * p[5] + (1 - phi * phi) * v;
    /* update with reading = level + noise */
    double g0 = p[0] + p[2], g1 = p[1] + p[4], g2 = p[2] + p[5], s = g0 + g2 + 1e-3 * v;
    double e = p_pa - x[0] - x[2];
    x[0] += g0 / s * e;
    x[1] += g1 / s * e;
    x[2] += g2 / s * e;
    p[0] -= g0 * g0 / s;
    p[1] -= g0 * g1 / s;
    p[2] -= g0 * g2 / s;
    p[3] -= g1 * g1 / s;
    p[4] -= g1 * g2 / s;
    p[5] -= g2 * g2 / s;
    hunt->t_s = t_s;
    hunt->n++;
    hunt->level_pa = x[0];
    hunt->rate_pa_per_s = x[1];
    hunt->u_rate_pa_per_s = sqrt(fmax(p[3], 0));
}
