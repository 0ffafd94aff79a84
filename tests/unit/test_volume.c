/* A bag's volume: by expansion (boyle_expansion.csv, Boyle's law), by a known leak (its definition), and both
 * uncertainties against a seeded simulation. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/volume.h"
#include "tt_csv.h"

static void expansion_meets_the_table(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "boyle_expansion.csv");
    while (tt_csv_next(&table)) {
        struct taut_volume_expansion in = {.reference_m3 = tt_csv_number(&table, "V_ref_L") / 1000,
                                           .reference_before_pa = tt_csv_number(&table, "p_ref_before_mbar") * 100,
                                           .bag_before_pa = tt_csv_number(&table, "p_unknown_before_mbar") * 100,
                                           .after_pa = tt_csv_number(&table, "p_after_mbar") * 100};
        struct taut_volume v = {0};
        assert_int_equal(taut_volume_by_expansion(&in, &v), TAUT_OK);
        tt_near(v.m3 * 1000, tt_csv_number(&table, "V_unknown_L"), 1e-9, "volume");
        assert_true(v.u_m3 == 0);
        /* the table's last column is the error for one mbar at the reading after; both bag readings count here, so
         * the one before is taken out again */
        in.u_pa = 100;
        assert_int_equal(taut_volume_by_expansion(&in, &v), TAUT_OK);
        double before = v.m3 * 100 / (in.after_pa - in.bag_before_pa);
        tt_near(sqrt(v.u_m3 * v.u_m3 - before * before) * 1000, tt_csv_number(&table, "dV_dp_after_L_per_mbar_abs"), 1e-9,
                "error");
    }
    tt_csv_close(&table);
}

static void readings_without_a_step_give_no_volume(void **state)
{
    (void)state;
    struct taut_volume v = {7, 7};
    struct taut_volume_expansion in = {
        .reference_m3 = 1e-3, .reference_before_pa = 101325, .bag_before_pa = 500, .after_pa = 510, .u_pa = 5};
    assert_int_equal(taut_volume_by_expansion(&in, &v), TAUT_E_SPREAD); /* step within three uncertainties */
    in.after_pa = 500;
    in.u_pa = 0;
    assert_int_equal(taut_volume_by_expansion(&in, &v), TAUT_E_SPREAD); /* none at all */
    in.after_pa = 200000;
    assert_int_equal(taut_volume_by_expansion(&in, &v), TAUT_E_SPREAD); /* not between the two */
    in.after_pa = (double)NAN;
    assert_int_equal(taut_volume_by_expansion(&in, &v), TAUT_E_SPREAD);
    in.after_pa = 5000;
    in.reference_m3 = 0;
    assert_int_equal(taut_volume_by_expansion(&in, &v), TAUT_E_ARG);
    in.reference_m3 = 1e-3;
    in.u_pa = -1;
    assert_int_equal(taut_volume_by_expansion(&in, &v), TAUT_E_ARG);
    assert_true(v.m3 == 7 && v.u_m3 == 7);
}

static void known_leak_gives_the_volume_it_fills(void **state)
{
    (void)state;
    /* 5 mbar.L/min into 5 L is 1 mbar/min, on top of 0.3 mbar/min of the bag itself */
    struct taut_volume_leak in = {
        .leak_pa_m3_per_s = 5 * 0.1 / 60, .closed_pa_per_s = 0.3 * 100 / 60, .open_pa_per_s = 1.3 * 100 / 60};
    struct taut_volume v = {0};
    assert_int_equal(taut_volume_by_leak(&in, &v), TAUT_OK);
    tt_near(v.m3, 0.005, 1e-12, "5 L");
    in.u_leak_pa_m3_per_s = in.leak_pa_m3_per_s * 0.05;
    assert_int_equal(taut_volume_by_leak(&in, &v), TAUT_OK);
    tt_near(v.u_m3 / v.m3, 0.05, 1e-12, "the leak's own uncertainty");
}

static void rises_that_can_not_be_told_apart_give_no_volume(void **state)
{
    (void)state;
    struct taut_volume v = {7, 7};
    struct taut_volume_leak in = {
        .leak_pa_m3_per_s = 0.01, .closed_pa_per_s = 1, .open_pa_per_s = 1.5, .u_closed_pa_per_s = 0.2, .u_open_pa_per_s = 0.2};
    assert_int_equal(taut_volume_by_leak(&in, &v), TAUT_E_SPREAD);
    in.open_pa_per_s = 0.5;
    in.u_closed_pa_per_s = in.u_open_pa_per_s = 0;
    assert_int_equal(taut_volume_by_leak(&in, &v), TAUT_E_SPREAD);
    in.leak_pa_m3_per_s = 0;
    assert_int_equal(taut_volume_by_leak(&in, &v), TAUT_E_ARG);
    assert_true(v.m3 == 7);
}

static uint64_t seed_state;

/* splitmix64 and the sum of twelve: near enough to normal for a check of a standard deviation. */
static double noise(double sd)
{
    double sum = 0;
    for (int i = 0; i < 12; i++) {
        uint64_t z = (seed_state += 0x9E3779B97F4A7C15u);
        z = (z ^ (z >> 30)) * 0xBF58476D1CE4E5B9u;
        z = (z ^ (z >> 27)) * 0x94D049BB133111EBu;
        sum += (double)((z ^ (z >> 31)) >> 11) / 9007199254740992.0;
    }
    return sd * (sum - 6);
}

static void stated_uncertainty_is_the_spread_of_repeated_measurements(void **state)
{
    (void)state;
    enum { RUNS = 20000 };
    seed_state = 20261125;
    const struct taut_volume_expansion truth = {.reference_m3 = 1e-3,
                                                .u_reference_m3 = 5e-6,
                                                .reference_before_pa = 101325,
                                                .bag_before_pa = 3000,
                                                .after_pa = 11939,
                                                .u_before_pa = 100,
                                                .u_pa = 20};
    struct taut_volume v = {0};
    assert_int_equal(taut_volume_by_expansion(&truth, &v), TAUT_OK);
    double sum = 0, squares = 0;
    for (int i = 0; i < RUNS; i++) {
        struct taut_volume_expansion in = truth;
        in.reference_m3 += noise(truth.u_reference_m3);
        in.reference_before_pa += noise(truth.u_before_pa);
        in.bag_before_pa += noise(truth.u_pa);
        in.after_pa += noise(truth.u_pa);
        struct taut_volume got;
        assert_int_equal(taut_volume_by_expansion(&in, &got), TAUT_OK);
        sum += got.m3 - v.m3;
        squares += (got.m3 - v.m3) * (got.m3 - v.m3);
    }
    double sd = sqrt((squares - sum * sum / RUNS) / (RUNS - 1));
    tt_near(sd, v.u_m3, 4 / sqrt(2.0 * RUNS), "spread of repeated measurements"); /* four standard errors */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(expansion_meets_the_table),
        cmocka_unit_test(readings_without_a_step_give_no_volume),
        cmocka_unit_test(known_leak_gives_the_volume_it_fills),
        cmocka_unit_test(rises_that_can_not_be_told_apart_give_no_volume),
        cmocka_unit_test(stated_uncertainty_is_the_spread_of_repeated_measurements),
    };
    return cmocka_run_group_tests_name("volume", tests, NULL, NULL);
}
