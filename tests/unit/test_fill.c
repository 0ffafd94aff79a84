/* Fill time against Darcy's law (darcy_fill_time.csv); void budget against hand arithmetic. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/fill.h"
#include "tt_csv.h"

static void fill_time_meets_the_table(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "darcy_fill_time.csv");
    while (tt_csv_next(&table)) {
        struct taut_fill_strip strip = {.porosity = tt_csv_number(&table, "porosity"),
                                        .viscosity_pa_s = tt_csv_number(&table, "viscosity_Pa_s"),
                                        .length_m = tt_csv_number(&table, "L_m"),
                                        .permeability_m2 = tt_csv_number(&table, "K_m2"),
                                        .drive_pa = tt_csv_number(&table, "dP_Pa")};
        double t_s = taut_fill_time_s(&strip);
        tt_near(t_s, tt_csv_number(&table, "t_fill_s"), 1e-9, "fill time");
        tt_near(taut_fill_front_m(&strip, t_s / 2), tt_csv_number(&table, "front_at_half_time_m"), 1e-9, "front at half time");
        tt_near(taut_fill_end_speed_m_per_s(&strip), tt_csv_number(&table, "front_speed_at_L_m_per_s"), 1e-9, "speed at the end");
        assert_true(taut_fill_front_m(&strip, 10 * t_s) == strip.length_m);
    }
    tt_csv_close(&table);
}

static void fill_time_of_nonsense_is_not_a_number(void **state)
{
    (void)state;
    struct taut_fill_strip strip = {0.5, 0.1, 1, 0, 95000};
    assert_true(isnan(taut_fill_time_s(&strip)));
    strip = (struct taut_fill_strip){0.5, 0.1, 1, 1e-10, -5};
    assert_true(isnan(taut_fill_time_s(&strip)));
}

/* 0.1 mbar.L/s for 30 min is 180 mbar.L; at 1000 mbar 180 cm3. In pores of 6 L that is 3 %. Half of it stays: 1.5 %. */
static void budget_is_spent_as_reckoned_by_hand(void **state)
{
    (void)state;
    struct taut_fill_budget budget = {.pore_m3 = 6e-3, .fill_s = 1800, .stays_frac = 0.5, .bubble_pa = 1e5, .void_frac = 0.01};
    struct taut_fill_cost cost;
    assert_int_equal(taut_fill_weigh(&budget, 0.01, 273.15, &cost), TAUT_OK);
    tt_near(cost.air_pa_m3, 18, 1e-12, "air");
    tt_near(cost.air_normal_cm3, 180 * 1000 / 1013.25, 1e-12, "normal cm3");
    tt_near(cost.void_frac, 0.015, 1e-12, "void share");
    tt_near(cost.limit_pa_m3_per_s, 0.01 / 1.5, 1e-12, "limit");
}

static void a_leak_at_the_limit_spends_the_budget_exactly(void **state)
{
    (void)state;
    struct taut_fill_budget budget = {
        .pore_m3 = 2.3e-3, .fill_s = 777, .stays_frac = 0.3, .bubble_pa = 60000, .void_frac = 0.004};
    struct taut_fill_cost cost, again;
    assert_int_equal(taut_fill_weigh(&budget, 0, 296, &cost), TAUT_OK);
    assert_true(cost.void_frac == 0);
    assert_int_equal(taut_fill_weigh(&budget, cost.limit_pa_m3_per_s, 296, &again), TAUT_OK);
    tt_near(again.void_frac, 0.004, 1e-12, "void share at the limit");
}

static void budgets_outside_their_range_are_refused(void **state)
{
    (void)state;
    const struct taut_fill_budget good = {.pore_m3 = 1e-3, .fill_s = 60, .stays_frac = 1, .bubble_pa = 1e5, .void_frac = 0.01};
    struct taut_fill_cost cost = {.air_mol = 7};
    for (int i = 0; i < 5; i++) {
        struct taut_fill_budget b = good;
        double *field[] = {&b.pore_m3, &b.fill_s, &b.stays_frac, &b.bubble_pa, &b.void_frac};
        *field[i] = 0;
        assert_int_equal(taut_fill_weigh(&b, 0.01, 293, &cost), TAUT_E_ARG);
    }
    assert_int_equal(taut_fill_weigh(&good, -0.01, 293, &cost), TAUT_E_ARG);
    assert_int_equal(taut_fill_weigh(&good, 0.01, 0, &cost), TAUT_E_ARG);
    assert_true(cost.air_mol == 7);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fill_time_meets_the_table),
        cmocka_unit_test(fill_time_of_nonsense_is_not_a_number),
        cmocka_unit_test(budget_is_spent_as_reckoned_by_hand),
        cmocka_unit_test(a_leak_at_the_limit_spends_the_budget_exactly),
        cmocka_unit_test(budgets_outside_their_range_are_refused),
    };
    return cmocka_run_group_tests_name("fill", tests, NULL, NULL);
}
