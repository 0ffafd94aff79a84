#include "taut/leak.h"

#include <math.h>
#include <string.h>

#include "taut/gas.h"

#define PI 3.14159265358979323846

/* Between these Knudsen numbers neither picture of the flow holds. For a thin hole the two differ by less than a
 * factor two in flow, so the edges do not matter much (common practice in vacuum texts, from memory). */
#define KNUDSEN_VISCOUS   0.1
#define KNUDSEN_MOLECULAR 1.0

static const struct {
    const char *name;
    double pa_m3_per_s;
} units[] = {
    {"Pa.m3/s",     1.0                    },
    {"mbar.L/s",    0.1                    },
    {"Pa.L/s",      1e-3                   },
    {"mbar.L/min",  0.1 / 60               },
    {"mbar.L/h",    0.1 / 3600             },
    {"Torr.L/s",    101325.0 / 760.0 * 1e-3},
    {"atm.cm3/s",   0.101325               },
    {"atm.cm3/min", 0.101325 / 60          },
    {"bar.cm3/min", 0.1 / 60               },
};

enum taut_status taut_leak_unit(const char *unit, double *pa_m3_per_s)
{
    for (size_t i = 0; i < sizeof units / sizeof units[0]; i++) {
        if (strcmp(unit, units[i].name) == 0) {
            *pa_m3_per_s = units[i].pa_m3_per_s;
            return TAUT_OK;
        }
    }
    return TAUT_E_NOENT;
}

const char *taut_leak_unit_names(void)
{
    return "Pa.m3/s, mbar.L/s, Pa.L/s, mbar.L/min, mbar.L/h, Torr.L/s, atm.cm3/s, atm.cm3/min, bar.cm3/min";
}

double taut_leak_mol_per_s(double pa_m3_per_s, double t_k)
{
    return pa_m3_per_s / (TAUT_GAS_CONSTANT * t_k);
}

double taut_leak_pa_m3_per_s(double mol_per_s, double t_k)
{
    return mol_per_s * TAUT_GAS_CONSTANT * t_k;
}

static const struct taut_leak_standard standards[] = {
    {"0 degC, 1013.25 mbar",  "normal state of DIN 1343",               273.15, 101325},
    {"20 degC, 1013.25 mbar", "common for air and flow meters",         293.15, 101325},
    {"25 degC, 1013.25 mbar", "some flow meters",                       298.15, 101325},
    {"0 degC, 1000 mbar",     "IUPAC since 1982",                       273.15, 100000},
    {"15 degC, 1013.25 mbar", "ISO 13443, ISO 2533",                    288.15, 101325},
    {"20 degC, 1000 mbar",    "ISO 8778, compressed air, taken as dry", 293.15, 100000},
};

const struct taut_leak_standard *taut_leak_standards(size_t *count)
{
    *count = sizeof standards / sizeof standards[0];
    return standards;
}

double taut_leak_standard_cm3_per_min(double mol_per_s, const struct taut_leak_standard *standard)
{
    return taut_leak_pa_m3_per_s(mol_per_s, standard->t_k) / standard->p_pa * 1e6 * 60;
}

enum taut_status taut_leak_from_rise(const struct taut_leak_rise *rise, double *mol_per_s)
{
    if (!(rise->volume_m3 > 0) || !(rise->dt_s > 0) || !(rise->t1_k > 0) || !(rise->t2_k > 0) || !isfinite(rise->p1_pa) ||
        !isfinite(rise->p2_pa))
        return TAUT_E_ARG;
    *mol_per_s = rise->volume_m3 / (TAUT_GAS_CONSTANT * rise->dt_s) * (rise->p2_pa / rise->t2_k - rise->p1_pa / rise->t1_k);
    return TAUT_OK;
}

double taut_leak_laminar_rise_pa(double p0_pa, double ambient_pa, double k_per_pa_s, double t_s)
{
    return ambient_pa * tanh(k_per_pa_s * ambient_pa * t_s + atanh(p0_pa / ambient_pa));
}

const char *taut_leak_regime_text(enum taut_leak_regime regime)
{
    static const char *const words[] = {"choked", "subcritical", "transitional", "molecular"};
    return (unsigned)regime < sizeof words / sizeof words[0] ? words[regime] : "unknown";
}

static double circle_m2(double d_m)
{
    return PI / 4 * d_m * d_m;
}

static double hole_of_area_m(double m2)
{
    return sqrt(4 * m2 / PI);
}

static double critical_ratio(void)
{
    const double g = TAUT_AIR_GAMMA;
    return pow(2 / (g + 1), g / (g - 1));
}

/* Flow function of St Venant and Wantzel; from the critical ratio down it stays the same: the flow is choked. */
static double flow_function(double ratio)
{
    const double g = TAUT_AIR_GAMMA;
    double x = fmax(ratio, critical_ratio());
    return sqrt(2 * g / (g - 1) * (pow(x, 2 / g) - pow(x, (g + 1) / g)));
}

/* Throughput per area of hole. */
static double viscous_flux(double p_up_pa, double p_down_pa, double t_k)
{
    return p_up_pa * flow_function(p_down_pa / p_up_pa) * sqrt(TAUT_GAS_CONSTANT * t_k / TAUT_AIR_KG_PER_MOL);
}

static double molecular_flux(double p_up_pa, double p_down_pa, double t_k, double kg_per_mol)
{
    return (p_up_pa - p_down_pa) * sqrt(TAUT_GAS_CONSTANT * t_k / (2 * PI * kg_per_mol));
}

double taut_leak_orifice_viscous(double d_m, double p_up_pa, double p_down_pa, double t_k)
{
    return circle_m2(d_m) * viscous_flux(p_up_pa, p_down_pa, t_k);
}

double taut_leak_orifice_molecular(double d_m, double p_up_pa, double p_down_pa, double t_k, double kg_per_mol)
{
    return circle_m2(d_m) * molecular_flux(p_up_pa, p_down_pa, t_k, kg_per_mol);
}

static void describe_hole(double ambient_pa, double bag_pa, double t_k, struct taut_leak_sizes *out)
{
    double path_m = taut_gas_air_free_path_m(ambient_pa, t_k);
    out->hole_m = hole_of_area_m(out->pa_m3_per_s / viscous_flux(ambient_pa, bag_pa, t_k));
    out->regime = bag_pa / ambient_pa <= critical_ratio() ? TAUT_LEAK_CHOKED : TAUT_LEAK_SUBCRITICAL;
    out->knudsen = path_m / out->hole_m;
    if (out->knudsen <= KNUDSEN_VISCOUS)
        return;
    out->regime = TAUT_LEAK_TRANSITIONAL;
    double molecular_m = hole_of_area_m(out->pa_m3_per_s / molecular_flux(ambient_pa, bag_pa, t_k, TAUT_AIR_KG_PER_MOL));
    if (path_m / molecular_m < KNUDSEN_MOLECULAR)
        return;
    out->regime = TAUT_LEAK_MOLECULAR;
    out->hole_m = molecular_m;
    out->knudsen = path_m / molecular_m;
}

enum taut_status taut_leak_describe(double pa_m3_per_s, double t_k, double ambient_pa, double bag_pa, struct taut_leak_sizes *out)
{
    if (!isfinite(pa_m3_per_s) || !(t_k > 0) || !(bag_pa >= 0) || !(ambient_pa > bag_pa) || !isfinite(ambient_pa))
        return TAUT_E_ARG;
    double mol_per_s = taut_leak_mol_per_s(pa_m3_per_s, t_k);
    *out = (struct taut_leak_sizes){
        .pa_m3_per_s = pa_m3_per_s,
        .mbar_l_per_s = pa_m3_per_s * 10,
        .mol_per_s = mol_per_s,
        .normal_cm3_per_min = taut_leak_standard_cm3_per_min(mol_per_s, &standards[0]),
        .standard_cm3_per_min = taut_leak_standard_cm3_per_min(mol_per_s, &standards[1]),
        .hole_m = (double)NAN,
        .knudsen = (double)NAN,
    };
    if (pa_m3_per_s > 0)
        describe_hole(ambient_pa, bag_pa, t_k, out);
    return TAUT_OK;
}
