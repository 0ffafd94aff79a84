/* tautctl leak: one leak in every unit, as a hole, and what it costs during a fill. */
#include <math.h>
#include <stdio.h>

#include "taut/fill.h"
#include "taut/gas.h"
#include "taut/leak.h"
#include "taut/units.h"
#include "tautctl/figures.h"
#include "tautctl/options.h"
#include "tautctl/tautctl.h"

static const char help[] = "Usage: tautctl leak --rate-mbar-per-min R --volume-l V [OPTIONS]\n"
                           "       tautctl leak --leak Q [--leak-unit UNIT]        [OPTIONS]\n\n"
                           "Gives a leak in every unit and as the round hole that would let as much in.\n"
                           "  --leak-unit UNIT     mbar.L/s unless said; others: Pa.m3/s, Pa.L/s,\n"
                           "                       mbar.L/min, mbar.L/h, Torr.L/s, atm.cm3/s, atm.cm3/min,\n"
                           "                       bar.cm3/min\n"
                           "  --temperature-c T    of the gas (20)\n"
                           "  --ambient-mbar A     outside (1013.25); or --altitude-m H by the standard\n"
                           "                       atmosphere\n"
                           "  --bag-mbar P         inside, absolute (5)\n\n"
                           "What it costs: air drawn in during the fill against the room between the\n"
                           "fibres, and the leak that a budget of voids allows.\n"
                           "  --pore-l V           that room: volume of the part times its porosity\n"
                           "  --fill-min T         from opening the feed to the clamp; or from Darcy's law\n"
                           "                       with --length-m L --permeability-m2 K --viscosity-pa-s M\n"
                           "                       --porosity F (a strip filled from one end)\n"
                           "  --void-percent X     voids allowed, of the pores (1)\n"
                           "  --stays-percent X    of the air that stays in the part (100: the worst case)\n"
                           "  --bubble-mbar P      pressure in the resin when it sets (1000)\n\n"
                           "  --json               every number\n\n"
                           "Exit code: 0 done, 64 wrong usage.\n";

struct asked {
    double rate, volume_l, leak, temperature_c, ambient_mbar, altitude_m, bag_mbar;
    double pore_l, fill_min, length_m, permeability_m2, viscosity_pa_s, porosity, void_percent, stays_percent, bubble_mbar;
    const char *leak_unit;
    bool json;
};

#define AT(member) offsetof(struct asked, member)
static const struct tautctl_option options[] = {
    {"--rate-mbar-per-min",  TAUTCTL_OPTION_NUMBER, AT(rate), 1e-9, 1e5, NULL},
    {"--volume-l",              TAUTCTL_OPTION_NUMBER, AT(volume_l), 1e-6, 1e6, NULL},
    {"--leak",                   TAUTCTL_OPTION_NUMBER, AT(leak), 1e-15, 1e9, NULL},
    {"--leak-unit",                      TAUTCTL_OPTION_TEXT, AT(leak_unit), 0, 0, NULL},
    {"--temperature-c",TAUTCTL_OPTION_NUMBER, AT(temperature_c), -40, 250, NULL},
    {"--ambient-mbar",                  TAUTCTL_OPTION_NUMBER, AT(ambient_mbar), 300, 1200, NULL},
    {"--altitude-m",                  TAUTCTL_OPTION_NUMBER, AT(altitude_m), -500, 9000, NULL},
    {"--bag-mbar",               TAUTCTL_OPTION_NUMBER, AT(bag_mbar), 0, 1200, NULL},
    {"--pore-l",              TAUTCTL_OPTION_NUMBER, AT(pore_l), 1e-6, 1e6, NULL},
    {"--fill-min",                   TAUTCTL_OPTION_NUMBER, AT(fill_min), 1e-3, 1e5, NULL},
    {"--length-m",                      TAUTCTL_OPTION_NUMBER, AT(length_m), 1e-4, 1e3, NULL},
    {"--permeability-m2",TAUTCTL_OPTION_NUMBER, AT(permeability_m2), 1e-16, 1e-4, NULL},
    {"--viscosity-pa-s",                     TAUTCTL_OPTION_NUMBER, AT(viscosity_pa_s), 1e-4, 1e3, NULL},
    {"--porosity",                  TAUTCTL_OPTION_NUMBER, AT(porosity), 0.01, 0.99, NULL},
    {"--void-percent",      TAUTCTL_OPTION_NUMBER, AT(void_percent), 1e-4, 99, NULL},
    {"--stays-percent",     TAUTCTL_OPTION_NUMBER, AT(stays_percent), 1e-3, 100, NULL},
    {"--bubble-mbar",                   TAUTCTL_OPTION_NUMBER, AT(bubble_mbar), 1, 1e5, NULL},
    {"--json",                      TAUTCTL_OPTION_FLAG, AT(json), 0, 0, NULL},
    {.name = NULL},
};

/* Leak asked for, Pa.m3/s.  0, or the exit code. */
static int leak_of(const struct asked *a, double *pa_m3_per_s)
{
    double unit;
    bool by_rate = !isnan(a->rate);
    if (by_rate == !isnan(a->leak))
        return tautctl_usage("leak", "either --rate-mbar-per-min with --volume-l, or --leak");
    if (by_rate && isnan(a->volume_l))
        return tautctl_usage("leak", "a rate needs the volume: --volume-l ('tautctl volume' finds it)");
    if (by_rate) {
        *pa_m3_per_s = a->rate * TAUT_PA_PER_S_PER_MBAR_PER_MIN * a->volume_l / 1000;
        return 0;
    }
    if (taut_leak_unit(a->leak_unit, &unit) != TAUT_OK)
        return tautctl_usage("leak", "--leak-unit: no such unit; allowed are %s", taut_leak_unit_names());
    *pa_m3_per_s = a->leak * unit;
    return 0;
}

static double fill_s_of(const struct asked *a, double ambient_pa)
{
    if (!isnan(a->fill_min))
        return a->fill_min * 60;
    const struct taut_fill_strip strip = {.porosity = a->porosity,
                                          .viscosity_pa_s = a->viscosity_pa_s,
                                          .length_m = a->length_m,
                                          .permeability_m2 = a->permeability_m2,
                                          .drive_pa = ambient_pa - a->bag_mbar * TAUT_PA_PER_MBAR};
    return taut_fill_time_s(&strip);
}

static int cost_of(const struct asked *a, double pa_m3_per_s, double t_k, double fill_s, struct taut_fill_cost *cost)
{
    *cost = (struct taut_fill_cost){(double)NAN, (double)NAN, (double)NAN, (double)NAN, (double)NAN};
    if (isnan(a->pore_l))
        return 0;
    if (isnan(fill_s))
        return tautctl_usage("leak", "--pore-l needs the time of the fill: --fill-min, or the four values for Darcy's law");
    const struct taut_fill_budget budget = {.pore_m3 = a->pore_l / 1000,
                                            .fill_s = fill_s,
                                            .stays_frac = a->stays_percent / 100,
                                            .bubble_pa = a->bubble_mbar * TAUT_PA_PER_MBAR,
                                            .void_frac = a->void_percent / 100};
    if (taut_fill_weigh(&budget, pa_m3_per_s, t_k, cost) != TAUT_OK)
        return tautctl_usage("leak", "these values of the budget do not go together");
    return 0;
}

static int report(const struct asked *a, const struct taut_leak_sizes *s, const struct taut_fill_cost *cost, double fill_s)
{
    const double limit_mbar_l = cost->limit_pa_m3_per_s * 10;
    /* clang-format off */
    const struct tautctl_figure figures[] = {
        {"leak_mbar_l_per_s", s->mbar_l_per_s, "Leak", "mbar.L/s", 4},
        {"leak_pa_m3_per_s", s->pa_m3_per_s, "", "Pa.m3/s", 4},
        {"leak_mol_per_s", s->mol_per_s, "", "mol/s", 4},
        {"leak_cm3_per_min_0degC_1013mbar", s->normal_cm3_per_min, "", "cm3/min at 0 degC, 1013.25 mbar", 4},
        {"leak_cm3_per_min_20degC_1013mbar", s->standard_cm3_per_min, "", "cm3/min at 20 degC, 1013.25 mbar", 4},
        {"equivalent_hole_mm", s->hole_m * 1000, "As much as a thin hole of", "mm", 3},
        {"knudsen", s->knudsen, NULL, "", 3},
        {"rise_mbar_per_min", taut_mbar_per_min(s->pa_m3_per_s / (a->volume_l / 1000)), "Rise of the shut-off bag", "mbar/min", 4},
        {"fill_s", fill_s, "Fill", "s", 5},
        {"air_cm3_0degC_1013mbar", cost->air_normal_cm3, "Air drawn in meanwhile", "cm3 at 0 degC, 1013.25 mbar", 4},
        {"void_percent", cost->void_frac * 100, "As bubbles in the pores", "%", 3},
        {"limit_mbar_l_per_s", limit_mbar_l, "Leak that the budget allows", "mbar.L/s", 3},
        {"limit_mbar_per_min", limit_mbar_l * 60 / a->volume_l, "as the rise of this bag", "mbar/min", 3},
    };
    /* clang-format on */
    char flow[120], assumed[400] = "";
    snprintf(flow, sizeof flow, "The hole is an ideal thin round one (%s flow), never \"the hole\".",
             taut_leak_regime_text(s->regime));
    if (!isnan(cost->void_frac))
        snprintf(assumed, sizeof assumed,
                 "Assumed: the leak stays the same during the fill, %g %% of its air stays in the part,\n"
                 "the bubbles have %g mbar when the resin sets, %g %% of voids are allowed in %g L of pores.\n"
                 "A rule of thumb of this program's own, not a published one.",
                 a->stays_percent, a->bubble_mbar, a->void_percent, a->pore_l);
    const char *const notes[] = {flow, assumed[0] ? assumed : NULL, NULL};
    return tautctl_figures_print("taut-leak 1", figures, sizeof figures / sizeof figures[0], notes, a->json);
}

int tautctl_cmd_leak(int argc, char **argv)
{
    if (tautctl_help(argc, argv, help))
        return TAUTCTL_OK;
    const double nan = (double)NAN;
    struct asked a = {.rate = nan,
                      .volume_l = nan,
                      .leak = nan,
                      .temperature_c = 20,
                      .ambient_mbar = nan,
                      .altitude_m = nan,
                      .bag_mbar = 5,
                      .pore_l = nan,
                      .fill_min = nan,
                      .length_m = nan,
                      .permeability_m2 = nan,
                      .viscosity_pa_s = nan,
                      .porosity = nan,
                      .void_percent = 1,
                      .stays_percent = 100,
                      .bubble_mbar = 1000,
                      .leak_unit = "mbar.L/s"};
    const char *none[1];
    int words;
    double pa_m3_per_s = 0;
    int trouble = tautctl_options(argc, argv, options, &a, none, 0, &words);
    if (!trouble)
        trouble = leak_of(&a, &pa_m3_per_s);
    if (trouble)
        return trouble;
    double ambient_pa = !isnan(a.ambient_mbar) ? a.ambient_mbar * TAUT_PA_PER_MBAR
                        : !isnan(a.altitude_m) ? taut_gas_standard_atmosphere_pa(a.altitude_m)
                                               : TAUT_STANDARD_ATMOSPHERE_PA;
    double t_k = a.temperature_c + TAUT_KELVIN_AT_0_DEGC, fill_s = fill_s_of(&a, ambient_pa);
    struct taut_leak_sizes sizes;
    if (taut_leak_describe(pa_m3_per_s, t_k, ambient_pa, a.bag_mbar * TAUT_PA_PER_MBAR, &sizes) != TAUT_OK)
        return tautctl_usage(argv[0], "--bag-mbar must be below the pressure outside");
    struct taut_fill_cost cost;
    trouble = cost_of(&a, pa_m3_per_s, t_k, fill_s, &cost);
    return trouble ? trouble : report(&a, &sizes, &cost, fill_s);
}
