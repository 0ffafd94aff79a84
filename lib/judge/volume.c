#include "taut/volume.h"

#include <math.h>
#include <stdbool.h>

/* A difference below this many of its standard uncertainties is not taken for one: the quotient's error would be
 * a third of the value and lopsided. */
#define LEAST_DIFFERENCE_U 3.0

static bool is_uncertainty(double u)
{
    return isfinite(u) && u >= 0;
}

enum taut_status taut_volume_by_expansion(const struct taut_volume_expansion *in, struct taut_volume *out)
{
    if (!(in->reference_m3 > 0) || !isfinite(in->reference_m3) || !is_uncertainty(in->u_reference_m3) ||
        !is_uncertainty(in->u_before_pa) || !is_uncertainty(in->u_pa))
        return TAUT_E_ARG;
    double step = in->after_pa - in->bag_before_pa;
    double given = in->reference_before_pa - in->after_pa;
    double ratio = given / step;
    if (!isfinite(ratio) || !(ratio > 0) || !(fabs(step) > LEAST_DIFFERENCE_U * sqrt(2.0) * in->u_pa))
        return TAUT_E_SPREAD;
    double v = in->reference_m3 * ratio;
    double from_reference = ratio * in->u_reference_m3;
    double from_before = in->reference_m3 / step * in->u_before_pa;
    double from_bag = v / step * in->u_pa;
    double from_after = (in->reference_m3 + v) / step * in->u_pa;
    out->m3 = v;
    out->u_m3 = sqrt(from_reference * from_reference + from_before * from_before + from_bag * from_bag + from_after * from_after);
    return TAUT_OK;
}

enum taut_status taut_volume_by_leak(const struct taut_volume_leak *in, struct taut_volume *out)
{
    if (!(in->leak_pa_m3_per_s > 0) || !isfinite(in->leak_pa_m3_per_s) || !is_uncertainty(in->u_leak_pa_m3_per_s) ||
        !is_uncertainty(in->u_closed_pa_per_s) || !is_uncertainty(in->u_open_pa_per_s))
        return TAUT_E_ARG;
    double rise = in->open_pa_per_s - in->closed_pa_per_s;
    double u_rise = hypot(in->u_open_pa_per_s, in->u_closed_pa_per_s);
    if (!isfinite(rise) || !(rise > 0) || !(rise > LEAST_DIFFERENCE_U * u_rise))
        return TAUT_E_SPREAD;
    double v = in->leak_pa_m3_per_s / rise;
    out->m3 = v;
    out->u_m3 = hypot(in->u_leak_pa_m3_per_s / rise, v * u_rise / rise);
    return TAUT_OK;
}
