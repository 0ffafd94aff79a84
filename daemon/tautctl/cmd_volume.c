/* tautctl volume: the free volume of a bag from two or three readings. */
#include <math.h>
#include <string.h>

#include "taut/leak.h"
#include "taut/units.h"
#include "taut/volume.h"
#include "tautctl/figures.h"
#include "tautctl/options.h"
#include "tautctl/tautctl.h"

static const char help[] = "Usage: tautctl volume expansion --reference-l V --reference-mbar P\n"
                           "                                --before-mbar B --after-mbar A [OPTIONS]\n"
                           "       tautctl volume leak --leak Q [--leak-unit UNIT]\n"
                           "                           --closed-mbar-per-min R0 --open-mbar-per-min R1\n"
                           "                           [OPTIONS]\n\n"
                           "expansion: a vessel of known volume is opened into the shut-off bag. All\n"
                           "pressures absolute; read after temperatures have evened out (a minute).\n"
                           "  --reference-l V      volume of the vessel with its line\n"
                           "  --reference-mbar P   pressure in it before: room pressure if it stood open\n"
                           "  --before-mbar B      pressure in the bag before\n"
                           "  --after-mbar A       pressure in both after\n"
                           "  --u-reference-l U    standard uncertainty of V (0)\n"
                           "  --u-reference-mbar U of P (0)\n"
                           "  --u-mbar U           of each bag reading (0)\n\n"
                           "leak: a known leak is opened into the shut-off bag.\n"
                           "  --leak Q, --leak-unit UNIT   its size (mbar.L/s unless said; others: Pa.m3/s,\n"
                           "                       Pa.L/s, mbar.L/min, mbar.L/h, Torr.L/s, atm.cm3/s,\n"
                           "                       atm.cm3/min, bar.cm3/min), at the bag's temperature\n"
                           "  --closed-mbar-per-min R0     rise of the bag without it\n"
                           "  --open-mbar-per-min R1       rise with it\n"
                           "  --u-leak U  --u-closed-mbar-per-min U  --u-open-mbar-per-min U\n"
                           "                       standard uncertainties (0); 'tautctl judge --json' gives\n"
                           "                       those of rises\n\n"
                           "  --json               every number\n\n"
                           "Exit code: 0 done, 2 the readings give no volume, 64 wrong usage.\n";

struct asked {
    double reference_l, u_reference_l, reference_mbar, u_reference_mbar, before_mbar, after_mbar, u_mbar;
    double leak, u_leak, closed, u_closed, open, u_open;
    const char *leak_unit;
    bool json;
};

#define AT(member) offsetof(struct asked, member)
static const struct tautctl_option options[] = {
    {"--reference-l",        TAUTCTL_OPTION_NUMBER, AT(reference_l), 1e-6, 1e6, NULL},
    {"--u-reference-l",       TAUTCTL_OPTION_NUMBER, AT(u_reference_l), 0, 1e6, NULL},
    {"--reference-mbar",                   TAUTCTL_OPTION_NUMBER, AT(reference_mbar), 0, 1e5, NULL},
    {"--u-reference-mbar",                      TAUTCTL_OPTION_NUMBER, AT(u_reference_mbar), 0, 1e5, NULL},
    {"--before-mbar",TAUTCTL_OPTION_NUMBER, AT(before_mbar), 0, 1e5, NULL},
    {"--after-mbar",                     TAUTCTL_OPTION_NUMBER, AT(after_mbar), 0, 1e5, NULL},
    {"--u-mbar",                  TAUTCTL_OPTION_NUMBER, AT(u_mbar), 0, 1e5, NULL},
    {"--leak",     TAUTCTL_OPTION_NUMBER, AT(leak), 1e-12, 1e9, NULL},
    {"--u-leak",    TAUTCTL_OPTION_NUMBER, AT(u_leak), 0, 1e9, NULL},
    {"--leak-unit",                   TAUTCTL_OPTION_TEXT, AT(leak_unit), 0, 0, NULL},
    {"--closed-mbar-per-min",                      TAUTCTL_OPTION_NUMBER, AT(closed), -1e5, 1e5, NULL},
    {"--u-closed-mbar-per-min",TAUTCTL_OPTION_NUMBER, AT(u_closed), 0, 1e5, NULL},
    {"--open-mbar-per-min",                     TAUTCTL_OPTION_NUMBER, AT(open), -1e5, 1e5, NULL},
    {"--u-open-mbar-per-min",                  TAUTCTL_OPTION_NUMBER, AT(u_open), 0, 1e5, NULL},
    {"--json",        TAUTCTL_OPTION_FLAG, AT(json), 0, 0, NULL},
    {.name = NULL      },
};

static int report(const struct asked *a, enum taut_status status, const struct taut_volume *v, const char *method,
                  const char *how_better)
{
    if (status == TAUT_E_SPREAD)
        return tautctl_say(2, "volume: the readings give no volume: %s", how_better);
    if (status != TAUT_OK)
        return tautctl_usage("volume", "%s", taut_status_text(status));
    const struct tautctl_figure figures[] = {
        {"volume_l",          v->m3 * 1000,    "Volume",               "L", 4},
        {"u_volume_l",        v->u_m3 * 1000,  "Standard uncertainty", "L", 2},
        {"u_volume_relative", v->u_m3 / v->m3, NULL,                   "",  2},
    };
    const char *const notes[] = {method, "A bag gives way: the volume holds near this pressure and for this lay-up.", NULL};
    return tautctl_figures_print("taut-volume 1", figures, sizeof figures / sizeof figures[0], notes, a->json);
}

static int expansion(const struct asked *a)
{
    if (isnan(a->reference_l) || isnan(a->reference_mbar) || isnan(a->before_mbar) || isnan(a->after_mbar))
        return tautctl_usage("volume", "expansion needs --reference-l, --reference-mbar, --before-mbar and --after-mbar");
    struct taut_volume_expansion in = {.reference_m3 = a->reference_l / 1000,
                                       .u_reference_m3 = a->u_reference_l / 1000,
                                       .reference_before_pa = a->reference_mbar * TAUT_PA_PER_MBAR,
                                       .bag_before_pa = a->before_mbar * TAUT_PA_PER_MBAR,
                                       .after_pa = a->after_mbar * TAUT_PA_PER_MBAR,
                                       .u_before_pa = a->u_reference_mbar * TAUT_PA_PER_MBAR,
                                       .u_pa = a->u_mbar * TAUT_PA_PER_MBAR};
    struct taut_volume v;
    enum taut_status status = taut_volume_by_expansion(&in, &v);
    return report(a, status, &v, "By expansion from a known volume (Boyle), temperatures taken as equal.",
                  "the pressure after must lie between the two before, and its step be above three times its uncertainty; take a "
                  "larger vessel");
}

static int known_leak(const struct asked *a)
{
    double unit;
    if (isnan(a->leak) || isnan(a->closed) || isnan(a->open))
        return tautctl_usage("volume", "leak needs --leak, --closed-mbar-per-min and --open-mbar-per-min");
    if (taut_leak_unit(a->leak_unit, &unit) != TAUT_OK)
        return tautctl_usage("volume", "--leak-unit: no such unit; allowed are %s", taut_leak_unit_names());
    const double rate = TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    struct taut_volume_leak in = {.leak_pa_m3_per_s = a->leak * unit,
                                  .u_leak_pa_m3_per_s = a->u_leak * unit,
                                  .closed_pa_per_s = a->closed * rate,
                                  .u_closed_pa_per_s = a->u_closed * rate,
                                  .open_pa_per_s = a->open * rate,
                                  .u_open_pa_per_s = a->u_open * rate};
    struct taut_volume v;
    enum taut_status status = taut_volume_by_leak(&in, &v);
    return report(a, status, &v, "By the rise that a known leak adds; the bag's own rise taken as the same both times.",
                  "the rise with the leak must exceed the rise without it by more than three times their uncertainty; take a "
                  "larger leak or measure longer");
}

int tautctl_cmd_volume(int argc, char **argv)
{
    if (tautctl_help(argc, argv, help))
        return TAUTCTL_OK;
    const double nan = (double)NAN;
    struct asked a = {.reference_l = nan,
                      .reference_mbar = nan,
                      .before_mbar = nan,
                      .after_mbar = nan,
                      .leak = nan,
                      .closed = nan,
                      .open = nan,
                      .leak_unit = "mbar.L/s"};
    const char *method;
    int words;
    int trouble = tautctl_options(argc, argv, options, &a, &method, 1, &words);
    if (trouble)
        return trouble;
    if (words == 1 && strcmp(method, "expansion") == 0)
        return expansion(&a);
    if (words == 1 && strcmp(method, "leak") == 0)
        return known_leak(&a);
    return tautctl_usage(argv[0], "which method: expansion or leak?");
}
