/* Gas facts against IAPWS-IF97 (water_vapour_check.csv, water_vapour_pressure.csv), ISO 2533
 * (isa_pressure_altitude.csv) and textbook orders of magnitude. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/gas.h"
#include "tt_csv.h"

static void vapour_pressure_meets_the_published_check_values(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "water_vapour_check.csv");
    while (tt_csv_next(&table))
        tt_near(taut_gas_water_vapour_pa(tt_csv_number(&table, "T_K")), tt_csv_number(&table, "p_sat_Pa"), 1e-8, "IF97 table 35");
    tt_csv_close(&table);
}

static void vapour_pressure_agrees_with_both_formulations(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "water_vapour_pressure.csv");
    while (tt_csv_next(&table)) {
        double got = taut_gas_water_vapour_pa(tt_csv_number(&table, "t_degC") + 273.15);
        tt_near(got, tt_csv_number(&table, "p_sat_Pa_IF97"), 1e-7, "IF97");
        tt_near(got, tt_csv_number(&table, "p_sat_Pa_IAPWS95_aux"), 1e-4, "IAPWS-95");
    }
    tt_csv_close(&table);
}

static void vapour_pressure_outside_its_range_is_not_a_number(void **state)
{
    (void)state;
    assert_true(isnan(taut_gas_water_vapour_pa(273.1)));
    assert_true(isnan(taut_gas_water_vapour_pa(650)));
    assert_true(isnan(taut_gas_water_vapour_pa((double)NAN)));
}

static void pressure_falls_with_height_as_the_standard_says(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "isa_pressure_altitude.csv");
    while (tt_csv_next(&table)) {
        double got = taut_gas_standard_atmosphere_pa(tt_csv_number(&table, "geopotential_altitude_m"));
        tt_near(got, tt_csv_number(&table, "p_Pa_computed"), 1e-8, "ISO 2533 computed");
        double seen = tt_csv_number(&table, "p_Pa_table_seen");
        if (!isnan(seen))
            tt_near_abs(got, seen, 0.06, "ISO 2533 table");
    }
    tt_csv_close(&table);
    assert_true(isnan(taut_gas_standard_atmosphere_pa(12000)));
}

/* From memory of vacuum texts: 18.2 uPa s at 20 degC; 68 nm at 1 atm, 68 um at 1 mbar. */
static void viscosity_and_free_path_have_textbook_size(void **state)
{
    (void)state;
    tt_near(taut_gas_air_viscosity_pa_s(293.15), 18.2e-6, 0.01, "viscosity");
    tt_near(taut_gas_air_free_path_m(101325, 293.15), 67e-9, 0.03, "free path at 1 atm");
    tt_near(taut_gas_air_free_path_m(100, 293.15), 67e-6, 0.03, "free path at 1 mbar");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(vapour_pressure_meets_the_published_check_values),
        cmocka_unit_test(vapour_pressure_agrees_with_both_formulations),
        cmocka_unit_test(vapour_pressure_outside_its_range_is_not_a_number),
        cmocka_unit_test(pressure_falls_with_height_as_the_standard_says),
        cmocka_unit_test(viscosity_and_free_path_have_textbook_size),
    };
    return cmocka_run_group_tests_name("gas", tests, NULL, NULL);
}
