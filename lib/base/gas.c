#include "taut/gas.h"

#include <math.h>

#define PI 3.14159265358979323846

double taut_gas_water_vapour_pa(double t_k)
{
    static const double n[] = {0.11670521452767e4,  -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5,
                               -0.32325550322333e7, 0.14915108613530e2,  -0.48232657361591e4, 0.40511340542057e6,
                               -0.23855557567849,   0.65017534844798e3};
    if (!(t_k >= 273.15 && t_k <= 647.096))
        return (double)NAN;
    double theta = t_k + n[8] / (t_k - n[9]);
    double a = theta * theta + n[0] * theta + n[1];
    double b = n[2] * theta * theta + n[3] * theta + n[4];
    double c = n[5] * theta * theta + n[6] * theta + n[7];
    double root = 2 * c / (-b + sqrt(b * b - 4 * a * c));
    return root * root * root * root * 1e6;
}

double taut_gas_standard_atmosphere_pa(double geopotential_m)
{
    const double t0_k = 288.15, lapse_k_per_m = 0.0065, g_m_per_s2 = 9.80665, r_j_per_kg_k = 287.05287;
    if (!(geopotential_m >= -5000 && geopotential_m <= 11000))
        return (double)NAN;
    return 101325.0 * pow(1 - lapse_k_per_m * geopotential_m / t0_k, g_m_per_s2 / (r_j_per_kg_k * lapse_k_per_m));
}

double taut_gas_air_viscosity_pa_s(double t_k)
{
    return 1.458e-6 * t_k * sqrt(t_k) / (t_k + 110.4);
}

double taut_gas_air_free_path_m(double p_pa, double t_k)
{
    return taut_gas_air_viscosity_pa_s(t_k) / p_pa * sqrt(PI * TAUT_GAS_CONSTANT * t_k / (2 * TAUT_AIR_KG_PER_MOL));
}
