#include "taut/fill.h"

#include <math.h>
#include <stdbool.h>

#include "taut/leak.h"

static bool above_zero(double v)
{
    return isfinite(v) && v > 0;
}

double taut_fill_time_s(const struct taut_fill_strip *s)
{
    if (!above_zero(s->porosity) || !above_zero(s->viscosity_pa_s) || !above_zero(s->length_m) ||
        !above_zero(s->permeability_m2) || !above_zero(s->drive_pa))
        return (double)NAN;
    return s->porosity * s->viscosity_pa_s * s->length_m * s->length_m / (2 * s->permeability_m2 * s->drive_pa);
}

double taut_fill_front_m(const struct taut_fill_strip *s, double t_s)
{
    return s->length_m * sqrt(fmin(fmax(t_s, 0) / taut_fill_time_s(s), 1));
}

double taut_fill_end_speed_m_per_s(const struct taut_fill_strip *s)
{
    return s->length_m / (2 * taut_fill_time_s(s));
}

enum taut_status taut_fill_weigh(const struct taut_fill_budget *b, double pa_m3_per_s, double t_k, struct taut_fill_cost *out)
{
    if (!above_zero(b->pore_m3) || !above_zero(b->fill_s) || !above_zero(b->stays_frac) || !(b->stays_frac <= 1) ||
        !above_zero(b->bubble_pa) || !above_zero(b->void_frac) || !(b->void_frac < 1) || !above_zero(t_k) ||
        !isfinite(pa_m3_per_s) || pa_m3_per_s < 0)
        return TAUT_E_ARG;
    size_t count;
    const struct taut_leak_standard *normal = taut_leak_standards(&count);
    double air_pa_m3 = pa_m3_per_s * b->fill_s;
    double air_mol = taut_leak_mol_per_s(air_pa_m3, t_k);
    *out = (struct taut_fill_cost){
        .air_pa_m3 = air_pa_m3,
        .air_mol = air_mol,
        .air_normal_cm3 = taut_leak_standard_cm3_per_min(air_mol, normal) / 60,
        .void_frac = b->stays_frac * air_pa_m3 / b->bubble_pa / b->pore_m3,
        .limit_pa_m3_per_s = b->void_frac * b->pore_m3 * b->bubble_pa / (b->stays_frac * b->fill_s),
    };
    return TAUT_OK;
}
