/* Pressure units against NIST SP 811 and the SI Brochure (pressure_units.csv, pressure_conversions.csv). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/units.h"
#include "tt_csv.h"

static double factor(const char *unit)
{
    double pa = NAN;
    if (taut_units_pressure(unit, &pa) != TAUT_OK)
        fail_msg("no unit %s", unit);
    return pa;
}

static void published_factors_are_met(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "pressure_units.csv");
    while (tt_csv_next(&table)) {
        const char *unit = tt_csv_text(&table, "unit");
        double tolerance = strcmp(unit, "inHg_60F") == 0 ? 1e-5 : 1e-12;
        tt_near(factor(unit), tt_csv_number(&table, "factor_to_Pa"), tolerance, unit);
        assert_non_null(strstr(taut_units_pressure_names(), unit));
    }
    assert_int_equal(table.rows, 17);
    tt_csv_close(&table);
}

static void published_conversions_are_met(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "pressure_conversions.csv");
    while (tt_csv_next(&table)) {
        const char *from = tt_csv_text(&table, "from_unit"), *to = tt_csv_text(&table, "to_unit");
        tt_near(tt_csv_number(&table, "value") * factor(from) / factor(to), tt_csv_number(&table, "result"), 1e-12, from);
    }
    tt_csv_close(&table);
}

static void every_listed_name_is_accepted(void **state)
{
    (void)state;
    char names[256];
    snprintf(names, sizeof names, "%s", taut_units_pressure_names());
    int n = 0;
    for (char *name = strtok(names, ", "); name; name = strtok(NULL, ", "), n++)
        assert_true(factor(name) > 0);
    assert_int_equal(n, 17);
}

static void unknown_unit_leaves_output_untouched(void **state)
{
    (void)state;
    double pa = 7;
    static const char *const wrong[] = {"", "MBAR", "mbar ", "micron", "inhg"};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        assert_int_equal(taut_units_pressure(wrong[i], &pa), TAUT_E_NOENT);
    assert_true(pa == 7);
}

static void rates_and_times_convert_both_ways(void **state)
{
    (void)state;
    tt_near(taut_mbar_per_min(0.5 * TAUT_PA_PER_S_PER_MBAR_PER_MIN), 0.5, 1e-15, "mbar/min");
    tt_near(taut_mbar(101325), 1013.25, 1e-15, "mbar");
    assert_int_equal(taut_ns(0.1), 100000000);
    assert_int_equal(taut_ns(-0.1), -100000000);
    assert_true(taut_seconds(taut_ns(86400.5)) == 86400.5);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(published_factors_are_met),         cmocka_unit_test(published_conversions_are_met),
        cmocka_unit_test(every_listed_name_is_accepted),     cmocka_unit_test(unknown_unit_leaves_output_untouched),
        cmocka_unit_test(rates_and_times_convert_both_ways),
    };
    return cmocka_run_group_tests_name("units", tests, NULL, NULL);
}
