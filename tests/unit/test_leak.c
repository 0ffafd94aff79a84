/* Leak sizes: units (leak_units.csv, leak_conversions.csv), standard volumes (leak_standard_flow.csv), rate of rise
 * (rate_of_rise.csv, 40 CFR 1065.644 in cfr_1065_644.json), holes (orifice_*.csv, equivalent_hole.csv,
 * orifice_constants.json), laminar leak (rise_laminar_leak.csv), manuals' figures (published_limits.csv). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/gas.h"
#include "taut/leak.h"
#include "taut/units.h"
#include "tt_csv.h"

/* The table writes underscores where the unit has a full stop or a slash. */
static double factor_by_column_name(const char *column_name)
{
    static const struct {
        const char *column, *unit;
    } names[] = {
        {"Pa_m3_per_s",     "Pa.m3/s"    },
        {"mbar_L_per_s",    "mbar.L/s"   },
        {"Pa_L_per_s",      "Pa.L/s"     },
        {"mbar_L_per_min",  "mbar.L/min" },
        {"mbar_L_per_h",    "mbar.L/h"   },
        {"Torr_L_per_s",    "Torr.L/s"   },
        {"atm_cm3_per_s",   "atm.cm3/s"  },
        {"atm_cm3_per_min", "atm.cm3/min"},
        {"bar_cm3_per_min", "bar.cm3/min"}
    };
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        double factor = 0;
        if (strcmp(names[i].column, column_name) != 0)
            continue;
        assert_int_equal(taut_leak_unit(names[i].unit, &factor), TAUT_OK);
        assert_non_null(strstr(taut_leak_unit_names(), names[i].unit));
        return factor;
    }
    fail_msg("no unit %s", column_name);
    return 0;
}

static void throughput_units_meet_their_factors(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "leak_units.csv");
    while (tt_csv_next(&table))
        tt_near(factor_by_column_name(tt_csv_text(&table, "unit")), tt_csv_number(&table, "factor_to_Pa_m3_per_s"), 1e-12,
                tt_csv_text(&table, "unit"));
    assert_int_equal(table.rows, 9);
    tt_csv_close(&table);
    tt_csv_open(&table, "leak_conversions.csv");
    while (tt_csv_next(&table)) {
        double got = tt_csv_number(&table, "value") * factor_by_column_name(tt_csv_text(&table, "from_unit")) /
                     factor_by_column_name(tt_csv_text(&table, "to_unit"));
        tt_near(got, tt_csv_number(&table, "result"), 1e-12, tt_csv_text(&table, "from_unit"));
    }
    tt_csv_close(&table);
}

static void unknown_leak_unit_leaves_output_untouched(void **state)
{
    (void)state;
    double factor = 7;
    assert_int_equal(taut_leak_unit("sccm", &factor), TAUT_E_NOENT);
    assert_true(factor == 7);
}

static void one_standard_cm3_is_what_its_state_says(void **state)
{
    (void)state;
    struct tt_csv table;
    size_t count;
    const struct taut_leak_standard *standard = taut_leak_standards(&count);
    tt_csv_open(&table, "leak_standard_flow.csv");
    size_t met = 0;
    while (tt_csv_next(&table)) {
        for (size_t i = 0; i < count; i++) {
            if (standard[i].t_k != tt_csv_number(&table, "ref_T_K") || standard[i].p_pa != tt_csv_number(&table, "ref_p_Pa"))
                continue;
            double mol = tt_csv_number(&table, "mol_per_s");
            tt_near(taut_leak_standard_cm3_per_min(mol, &standard[i]), 1, 1e-10, standard[i].name);
            tt_near(taut_leak_pa_m3_per_s(mol, 293.15), tt_csv_number(&table, "Pa_m3_per_s_at_20C"), 1e-10, standard[i].name);
            tt_near(taut_leak_mol_per_s(tt_csv_number(&table, "Pa_m3_per_s_at_23C"), 296.15), mol, 1e-10, standard[i].name);
            met++;
        }
    }
    assert_int_equal(met, count);
    tt_csv_close(&table);
}

static void rise_of_a_closed_volume_gives_its_leak(void **state)
{
    (void)state;
    struct tt_csv table;
    size_t count;
    const struct taut_leak_standard *normal = taut_leak_standards(&count);
    tt_csv_open(&table, "rate_of_rise.csv");
    while (tt_csv_next(&table)) {
        struct taut_leak_rise rise = {.volume_m3 = tt_csv_number(&table, "V_L") / 1000,
                                      .p1_pa = tt_csv_number(&table, "p1_abs_mbar") * 100,
                                      .p2_pa = tt_csv_number(&table, "p2_abs_mbar") * 100,
                                      .t1_k = tt_csv_number(&table, "T1_degC") + 273.15,
                                      .t2_k = tt_csv_number(&table, "T2_degC") + 273.15,
                                      .dt_s = tt_csv_number(&table, "dt_s")};
        double mol = 0;
        assert_int_equal(taut_leak_from_rise(&rise, &mol), TAUT_OK);
        const char *name = tt_csv_text(&table, "case");
        tt_near(mol, tt_csv_number(&table, "leak_mol_per_s"), 1e-9, name);
        tt_near(taut_leak_pa_m3_per_s(mol, 293.15) * 10, tt_csv_number(&table, "leak_at_20C_mbar_L_per_s"), 1e-9, name);
        tt_near(taut_leak_standard_cm3_per_min(mol, normal), tt_csv_number(&table, "leak_sccm_0C_101325"), 1e-9, name);
        tt_near(taut_mbar_per_min((rise.p2_pa - rise.p1_pa) / rise.dt_s), tt_csv_number(&table, "raw_rate_mbar_per_min"), 1e-9,
                name);
    }
    tt_csv_close(&table);
}

static double json_number(const char *text, const char *key)
{
    char quoted[80];
    snprintf(quoted, sizeof quoted, "\"%s\":", key);
    const char *at = strstr(text, quoted);
    if (!at)
        fail_msg("no %s", key);
    return strtod(at + strlen(quoted), NULL);
}

static void read_reference(const char *name, char *text, size_t size)
{
    char path[512];
    snprintf(path, sizeof path, "%s/%s", TAUT_REFERENCE, name);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    text[fread(text, 1, size - 1, file)] = '\0';
    fclose(file);
}

/* The regulation's example was computed with an older gas constant, 8.314472: the ratio is taken out. */
static void the_regulations_worked_example_is_met(void **state)
{
    (void)state;
    char text[4096];
    read_reference("cfr_1065_644.json", text, sizeof text);
    struct taut_leak_rise rise = {.volume_m3 = json_number(text, "V_m3"),
                                  .p1_pa = json_number(text, "p1_Pa"),
                                  .p2_pa = json_number(text, "p2_Pa"),
                                  .t1_k = json_number(text, "T1_K"),
                                  .t2_k = json_number(text, "T2_K"),
                                  .dt_s = json_number(text, "dt_s")};
    double mol = 0;
    assert_int_equal(taut_leak_from_rise(&rise, &mol), TAUT_OK);
    tt_near(mol * TAUT_GAS_CONSTANT / json_number(text, "R_J_per_mol_K"), json_number(text, "leak_mol_per_s_computed"), 1e-9,
            "40 CFR 1065.644");
    tt_near(mol, 0.00030, 0.02, "printed answer, from memory");
}

static void steady_pressure_at_steady_temperature_is_no_leak(void **state)
{
    (void)state;
    struct taut_leak_rise rise = {.volume_m3 = 0.01, .p1_pa = 500, .p2_pa = 500, .t1_k = 293.15, .t2_k = 293.15, .dt_s = 600};
    double mol = 7;
    assert_int_equal(taut_leak_from_rise(&rise, &mol), TAUT_OK);
    tt_near_abs(mol, 0, 1e-12, "no leak");
    rise.dt_s = 0;
    mol = 7;
    assert_int_equal(taut_leak_from_rise(&rise, &mol), TAUT_E_ARG);
    rise = (struct taut_leak_rise){.volume_m3 = (double)NAN, .p2_pa = 1, .t1_k = 1, .t2_k = 1, .dt_s = 1};
    assert_int_equal(taut_leak_from_rise(&rise, &mol), TAUT_E_ARG);
    assert_true(mol == 7);
}

static void viscous_flow_through_a_hole_meets_the_table(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "orifice_viscous.csv");
    while (tt_csv_next(&table)) {
        double t_k = tt_csv_number(&table, "T_degC") + 273.15, d_m = tt_csv_number(&table, "d_mm") / 1000;
        double up = tt_csv_number(&table, "p_up_mbar") * 100, down = tt_csv_number(&table, "p_down_mbar") * 100;
        double q = taut_leak_orifice_viscous(d_m, up, down, t_k);
        tt_near(q, tt_csv_number(&table, "throughput_Pa_m3_per_s"), 1e-8, "throughput");
        tt_near(taut_leak_mol_per_s(q, t_k) * TAUT_AIR_KG_PER_MOL, tt_csv_number(&table, "mass_flow_kg_per_s"), 1e-8,
                "mass flow");
        struct taut_leak_sizes sizes;
        assert_int_equal(taut_leak_describe(q, t_k, up, down, &sizes), TAUT_OK);
        tt_near(sizes.hole_m, d_m, 1e-12, "back to the hole");
        tt_near(sizes.normal_cm3_per_min, tt_csv_number(&table, "sccm_0C_101325"), 1e-8, "normal cm3/min");
        assert_string_equal(taut_leak_regime_text(sizes.regime), tt_csv_text(&table, "regime"));
    }
    tt_csv_close(&table);
}

static void molecular_flow_through_a_hole_meets_the_table(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "orifice_molecular.csv");
    while (tt_csv_next(&table)) {
        double q = taut_leak_orifice_molecular(tt_csv_number(&table, "d_mm") / 1000, tt_csv_number(&table, "p_up_mbar") * 100,
                                               tt_csv_number(&table, "p_down_mbar") * 100, tt_csv_number(&table, "T_K"),
                                               tt_csv_number(&table, "M_kg_per_mol"));
        tt_near(q * 10, tt_csv_number(&table, "throughput_mbar_L_per_s"), 1e-8, tt_csv_text(&table, "gas"));
    }
    tt_csv_close(&table);
}

/* 20 and 11.6 L/(s cm2) at 20 degC: Wutz/Jousten, from memory; the exact values are computed ones. */
static void conductance_per_area_has_its_textbook_value(void **state)
{
    (void)state;
    char text[4096];
    read_reference("orifice_constants.json", text, sizeof text);
    double d_m = sqrt(4 * 1e-4 / 3.14159265358979323846); /* 1 cm2 */
    tt_near(taut_leak_orifice_viscous(d_m, 1e5, 0, 293.15) / 1e5 * 1000,
            json_number(text, "choked_conductance_air_20C_L_per_s_per_cm2"), 1e-10, "choked");
    tt_near(taut_leak_orifice_molecular(d_m, 1, 0, 293.15, TAUT_AIR_KG_PER_MOL) * 1000,
            json_number(text, "molecular_conductance_air_20C_L_per_s_per_cm2"), 1e-10, "molecular");
}

static void equivalent_hole_meets_the_table(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "equivalent_hole.csv");
    while (tt_csv_next(&table)) {
        struct taut_leak_sizes sizes;
        assert_int_equal(taut_leak_describe(tt_csv_number(&table, "leak_mbar_L_per_s") / 10,
                                            tt_csv_number(&table, "T_degC") + 273.15, tt_csv_number(&table, "p_atm_mbar") * 100,
                                            500, &sizes),
                         TAUT_OK);
        tt_near(sizes.hole_m * 1000, tt_csv_number(&table, "d_equivalent_mm_choked_Cd1"), 1e-8, "equivalent hole");
        assert_true(sizes.knudsen < 0.1);
    }
    tt_csv_close(&table);
}

/* A hole far narrower than the mean free path (about 67 nm outside) is found again by the molecular formula. */
static void tiny_holes_are_told_as_transitional_and_molecular(void **state)
{
    (void)state;
    struct taut_leak_sizes sizes;
    double q = taut_leak_orifice_molecular(20e-9, 101325, 500, 293.15, TAUT_AIR_KG_PER_MOL);
    assert_int_equal(taut_leak_describe(q, 293.15, 101325, 500, &sizes), TAUT_OK);
    assert_int_equal(sizes.regime, TAUT_LEAK_MOLECULAR);
    tt_near(sizes.hole_m, 20e-9, 1e-9, "20 nm");
    q = taut_leak_orifice_viscous(200e-9, 101325, 500, 293.15);
    assert_int_equal(taut_leak_describe(q, 293.15, 101325, 500, &sizes), TAUT_OK);
    assert_int_equal(sizes.regime, TAUT_LEAK_TRANSITIONAL);
}

static void no_leak_has_no_hole_and_bad_arguments_are_refused(void **state)
{
    (void)state;
    struct taut_leak_sizes sizes;
    assert_int_equal(taut_leak_describe(0, 293.15, 101325, 500, &sizes), TAUT_OK);
    assert_true(isnan(sizes.hole_m));
    assert_int_equal(taut_leak_describe(-1e-4, 293.15, 101325, 500, &sizes), TAUT_OK);
    assert_true(isnan(sizes.hole_m) && sizes.mbar_l_per_s == -1e-3);
    sizes.mol_per_s = 7;
    assert_int_equal(taut_leak_describe(1, 0, 101325, 500, &sizes), TAUT_E_ARG);
    assert_int_equal(taut_leak_describe(1, 293.15, 500, 500, &sizes), TAUT_E_ARG);
    assert_int_equal(taut_leak_describe((double)NAN, 293.15, 101325, 500, &sizes), TAUT_E_ARG);
    assert_true(sizes.mol_per_s == 7);
}

static void laminar_leak_rises_as_the_solution_says(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "rise_laminar_leak.csv");
    while (tt_csv_next(&table)) {
        double p0 = tt_csv_number(&table, "p0_mbar") * 100, ambient = tt_csv_number(&table, "p_atm_mbar") * 100;
        double k = tt_csv_number(&table, "k_per_mbar_s") / 100;
        double p = taut_leak_laminar_rise_pa(p0, ambient, k, tt_csv_number(&table, "t_s"));
        tt_near(p / 100, tt_csv_number(&table, "p_mbar"), 1e-9, "laminar leak");
        double slope = (taut_leak_laminar_rise_pa(p0, ambient, k, 1e-3) - p0) / 1e-3;
        tt_near(slope / 100, tt_csv_number(&table, "initial_rate_mbar_per_s"), 1e-5, "initial rate");
    }
    tt_csv_close(&table);
}

/* US Army TM 1-1500-204-23-11: at most 1 inHg lost in a minute. */
static void the_manuals_limit_converts_as_printed(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "published_limits.csv");
    double inhg = 0;
    assert_int_equal(taut_units_pressure("inHg", &inhg), TAUT_OK);
    while (tt_csv_next(&table))
        if (strcmp(tt_csv_text(&table, "id"), "TM-2") == 0)
            tt_near(taut_mbar(inhg), strtod(tt_csv_text(&table, "converted"), NULL), 1e-6, "1 inHg/min");
    tt_csv_close(&table);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(throughput_units_meet_their_factors),
        cmocka_unit_test(unknown_leak_unit_leaves_output_untouched),
        cmocka_unit_test(one_standard_cm3_is_what_its_state_says),
        cmocka_unit_test(rise_of_a_closed_volume_gives_its_leak),
        cmocka_unit_test(the_regulations_worked_example_is_met),
        cmocka_unit_test(steady_pressure_at_steady_temperature_is_no_leak),
        cmocka_unit_test(viscous_flow_through_a_hole_meets_the_table),
        cmocka_unit_test(molecular_flow_through_a_hole_meets_the_table),
        cmocka_unit_test(conductance_per_area_has_its_textbook_value),
        cmocka_unit_test(equivalent_hole_meets_the_table),
        cmocka_unit_test(tiny_holes_are_told_as_transitional_and_molecular),
        cmocka_unit_test(no_leak_has_no_hole_and_bad_arguments_are_refused),
        cmocka_unit_test(laminar_leak_rises_as_the_solution_says),
        cmocka_unit_test(the_manuals_limit_converts_as_printed),
    };
    return cmocka_run_group_tests_name("leak", tests, NULL, NULL);
}
