/* Bag physics against closed forms: pump-down and equilibrium (any vacuum text), Boyle, relaxation plus leak, laminar
 * leak, orifice (St Venant-Wantzel), water vapour (IAPWS), Darcy; all tables computed, see tests/reference/README.md. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/bag.h"
#include "taut/noise.h"
#include "taut/units.h"
#include "tt_csv.h"

#define MBAR  100.0
#define LITRE 1e-3

static const double far_future_s = 1e6;

static struct taut_bench bench_of(double manifold_l, double speed_l_per_s, double ultimate_mbar, double ambient_mbar)
{
    struct taut_bench bench;
    const struct taut_pump_spec pump = {
        .manifold_m3 = manifold_l * LITRE, .speed_m3_per_s = speed_l_per_s * LITRE, .ultimate_pa = ultimate_mbar * MBAR};
    assert_int_equal(taut_bench_init(&bench, &pump, ambient_mbar * MBAR, 293.15), TAUT_OK);
    bench.pump_runs = speed_l_per_s > 0;
    return bench;
}

static struct taut_bag *add_bag(struct taut_bench *bench, double near_l, double far_l, double link_l_per_s, double vent_l_per_s)
{
    const struct taut_bag_spec spec = {.near_m3 = near_l * LITRE,
                                       .far_m3 = far_l * LITRE,
                                       .link_m3_per_s = link_l_per_s * LITRE,
                                       .vent_m3_per_s = vent_l_per_s * LITRE,
                                       .release_s = 100,
                                       .far_sensor_frac = 0.15};
    int index;
    assert_int_equal(taut_bench_add(bench, &spec, &index), TAUT_OK);
    return &bench->bag[index];
}

static void put(struct taut_bag *bag, double near_mbar, double far_mbar)
{
    bag->near = (struct taut_bag_gas){.air_pa = near_mbar * MBAR};
    bag->far = (struct taut_bag_gas){.air_pa = far_mbar * MBAR};
}

static void run(struct taut_bench *bench, double seconds, double dt_s)
{
    int64_t steps = llround(seconds / dt_s);
    for (int64_t i = 0; i < steps; i++)
        taut_bench_step(bench, seconds / (double)steps);
}

static double near_mbar(const struct taut_bench *bench, int bag)
{
    return taut_mbar(taut_bench_pressure_pa(bench, bag, TAUT_PLACE_VENT));
}

static double manifold_mbar(const struct taut_bench *bench)
{
    return taut_mbar(taut_bench_pressure_pa(bench, 0, TAUT_PLACE_MANIFOLD));
}

static void sizes_that_make_no_sense_are_refused(void **state)
{
    (void)state;
    struct taut_bench bench;
    const struct taut_pump_spec nothing = {.manifold_m3 = 0}, pump = {.manifold_m3 = 1e-3};
    assert_int_equal(taut_bench_init(&bench, &nothing, 1e5, 293), TAUT_E_ARG);
    assert_int_equal(taut_bench_init(&bench, &pump, -1, 293), TAUT_E_ARG);
    assert_int_equal(taut_bench_init(&bench, &pump, 1e5, 293), TAUT_OK);
    const struct taut_bag_spec flat = {.release_s = 1}, fine = {.near_m3 = 1e-3, .release_s = 1};
    assert_int_equal(taut_bench_add(&bench, &flat, NULL), TAUT_E_ARG);
    assert_int_equal(bench.bags, 0);
    for (int i = 0; i < TAUT_BENCH_BAGS_MAX; i++)
        assert_int_equal(taut_bench_add(&bench, &fine, NULL), TAUT_OK);
    assert_int_equal(taut_bench_add(&bench, &fine, NULL), TAUT_E_FULL);
    assert_int_equal(bench.bags, TAUT_BENCH_BAGS_MAX);
}

/* Reference: pump_down.csv, p = pu + (p0 - pu) exp(-S t / V). Exact at any step. */
static void a_closed_manifold_pumps_down_as_the_text_books_say(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "pump_down.csv");
    while (tt_csv_next(&table)) {
        for (int pass = 0; pass < 3; pass++) {
            struct taut_bench bench = bench_of(tt_csv_number(&table, "V_L"), tt_csv_number(&table, "S_L_per_s"),
                                               tt_csv_number(&table, "p_ultimate_mbar"), tt_csv_number(&table, "p0_mbar"));
            run(&bench, tt_csv_number(&table, "t_s"), (const double[]){1.0, 0.1, 0.037}[pass]);
            tt_near(manifold_mbar(&bench), tt_csv_number(&table, "p_mbar"), 1e-9, "pump-down");
        }
    }
    tt_csv_close(&table);
}

/* Reference: pump_down_time.csv. A bag on a wide line pumps down as one volume with its manifold. */
static void a_bag_on_a_wide_line_reaches_the_target_in_the_stated_time(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "pump_down_time.csv");
    while (tt_csv_next(&table)) {
        double volume = tt_csv_number(&table, "V_L");
        struct taut_bench bench = bench_of(0.5 * volume, tt_csv_number(&table, "S_L_per_s"),
                                           tt_csv_number(&table, "p_ultimate_mbar"), tt_csv_number(&table, "p0_mbar"));
        add_bag(&bench, 0.5 * volume, 0, 0, 10000 * tt_csv_number(&table, "S_L_per_s"));
        run(&bench, tt_csv_number(&table, "t_s"), 0.5);
        /* the line is wide, not infinite: the bag's delay is V/4C, 1/40000 of the time constant V/S */
        tt_near(near_mbar(&bench, 0) - tt_csv_number(&table, "p_ultimate_mbar"),
                tt_csv_number(&table, "p_target_mbar") - tt_csv_number(&table, "p_ultimate_mbar"), 3e-4, "target");
    }
    tt_csv_close(&table);
}

/* Reference: pump_equilibrium.csv, p = pu + Q / S. */
static void a_leaking_manifold_settles_where_pump_and_leak_balance(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "pump_equilibrium.csv");
    while (tt_csv_next(&table)) {
        double flow = tt_csv_number(&table, "leak_mbar_L_per_s") * MBAR * LITRE;
        double want = tt_csv_number(&table, "p_equilibrium_mbar");
        struct taut_bench bench =
            bench_of(8, tt_csv_number(&table, "S_L_per_s"), tt_csv_number(&table, "p_ultimate_mbar"), 1013.25);
        bench.manifold_leak_pa_m3_per_s = flow;
        run(&bench, 1000, 1);
        tt_near(manifold_mbar(&bench), want, 1e-9, "leak on the manifold");
        /* the same through a bag: the splitting of leak and line costs a little, and less with small steps */
        bench = bench_of(8, tt_csv_number(&table, "S_L_per_s"), tt_csv_number(&table, "p_ultimate_mbar"), 1013.25);
        add_bag(&bench, 3, 0, 0, 2)->leak_near_pa_m3_per_s = flow;
        run(&bench, 1000, 0.1);
        tt_near(manifold_mbar(&bench), want, 1e-4, "leak in a bag");
    }
    tt_csv_close(&table);
}

/* Reference: boyle_expansion.csv. The link joins a reference volume to an unknown one. */
static void two_joined_volumes_come_to_the_pressure_boyle_gives(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "boyle_expansion.csv");
    while (tt_csv_next(&table)) {
        struct taut_bench bench = bench_of(1, 0, 0, 1013.25);
        struct taut_bag *bag = add_bag(&bench, tt_csv_number(&table, "V_ref_L"), tt_csv_number(&table, "V_unknown_L"), 0.05, 0);
        put(bag, tt_csv_number(&table, "p_ref_before_mbar"), tt_csv_number(&table, "p_unknown_before_mbar"));
        run(&bench, 2000, 1);
        tt_near(near_mbar(&bench, 0), tt_csv_number(&table, "p_after_mbar"), 1e-9, "Boyle");
    }
    tt_csv_close(&table);
}

/* Boyle again: the gas before the front is squeezed, whether the front is put there or flows there. */
static void resin_squeezes_the_dry_volume(void **state)
{
    (void)state;
    struct taut_bench bench = bench_of(1, 0, 0, 1013.25);
    struct taut_bag *bag = add_bag(&bench, 2.5, 0, 0, 0);
    put(bag, 20, 0);
    taut_bag_set_front(bag, 0.2);
    run(&bench, 100, 1);
    tt_near(near_mbar(&bench, 0), 20 / 0.8, 1e-9, "front at 0.2");
    taut_bag_set_front(bag, 0.3);
    run(&bench, 100, 1);
    tt_near(near_mbar(&bench, 0), 20 / 0.7, 1e-9, "front at 0.3");
    bag->feed_open = true;
    bag->fill_s = 500;
    double gas = taut_bench_gas(&bench);
    run(&bench, 100, 0.1);
    assert_true(bag->front_frac > 0.5);
    tt_near(taut_bench_gas(&bench), gas, 1e-9, "gas while it flows");
    tt_near(near_mbar(&bench, 0), 20 / (1 - bag->front_frac), 1e-9, "front as it flows");
}

/* Reference: rise_exponential_plus_linear.csv, p = p0 + A (1 - exp(-t / tau)) + r t. A far end at higher pressure gives
 * A = Vf / V (pf - pn) and tau = Vn Vf / (V C); a leak shared by volume gives r. */
static void an_isolated_bag_rises_by_relaxation_plus_leak(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "rise_exponential_plus_linear.csv");
    while (tt_csv_next(&table)) {
        const double near_l = 1.4, far_l = 1.0, volume_l = near_l + far_l;
        double p0 = tt_csv_number(&table, "p0_mbar"), rate = tt_csv_number(&table, "leak_rate_mbar_per_s") * MBAR;
        double link_l_per_s = near_l * far_l / volume_l / tt_csv_number(&table, "tau_s");
        struct taut_bench bench = bench_of(1, 0, 0, 1013.25);
        struct taut_bag *bag = add_bag(&bench, near_l, far_l, link_l_per_s, 0);
        put(bag, p0, p0 + tt_csv_number(&table, "amplitude_mbar") * volume_l / far_l);
        bag->leak_near_pa_m3_per_s = taut_bag_leak_for_rate(bag, rate, bench.ambient_pa) * near_l / volume_l;
        bag->leak_far_pa_m3_per_s = taut_bag_leak_for_rate(bag, rate, bench.ambient_pa) * far_l / volume_l;
        if (tt_csv_number(&table, "t_s") > 0)
            run(&bench, tt_csv_number(&table, "t_s"), 1);
        tt_near(near_mbar(&bench, 0), tt_csv_number(&table, "p_mbar"), 1e-9, "rise");
        double before = near_mbar(&bench, 0);
        taut_bench_step(&bench, 1e-3);
        tt_near((near_mbar(&bench, 0) - before) / 1e-3, tt_csv_number(&table, "dpdt_mbar_per_s"), 1e-4, "rate");
    }
    tt_csv_close(&table);
}

/* Reference: rise_laminar_leak.csv, p = pa tanh(k pa t + artanh(p0 / pa)). */
static void a_laminar_leak_fills_the_bag_along_the_tanh(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "rise_laminar_leak.csv");
    while (tt_csv_next(&table)) {
        double ambient = tt_csv_number(&table, "p_atm_mbar");
        struct taut_bench bench = bench_of(1, 0, 0, ambient);
        struct taut_bag *bag = add_bag(&bench, 2, 0, 0, 0);
        put(bag, tt_csv_number(&table, "p0_mbar"), 0);
        bag->law = TAUT_BAG_LEAK_LAMINAR;
        /* the model's flow is that into full vacuum: k pa^2 */
        double full = tt_csv_number(&table, "k_per_mbar_s") * ambient * ambient * MBAR;
        bag->leak_near_pa_m3_per_s = taut_bag_leak_for_rate(bag, full, bench.ambient_pa);
        run(&bench, tt_csv_number(&table, "t_s"), 1);
        tt_near(near_mbar(&bench, 0), tt_csv_number(&table, "p_mbar"), 1e-9, "laminar");
    }
    tt_csv_close(&table);
}

/* Reference: orifice_viscous.csv, St Venant-Wantzel. */
static void an_orifice_leak_is_choked_below_its_critical_ratio_and_then_falls(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "orifice_viscous.csv");
    while (tt_csv_next(&table)) {
        double share = taut_bag_leak_share(TAUT_BAG_LEAK_ORIFICE, tt_csv_number(&table, "p_down_mbar") * MBAR,
                                           tt_csv_number(&table, "p_up_mbar") * MBAR);
        tt_near(share, tt_csv_number(&table, "flow_function_psi") / 0.6847314563772704, 1e-8, "share");
    }
    tt_csv_close(&table);
    assert_true(taut_bag_leak_share(TAUT_BAG_LEAK_ORIFICE, 2e5, 1e5) == 0);
    struct taut_bench bench = bench_of(1, 0, 0, 1013.25);
    struct taut_bag *bag = add_bag(&bench, 2, 0, 0, 0);
    put(bag, 1, 0);
    bag->leak_near_pa_m3_per_s = taut_bag_leak_for_rate(bag, 10 * MBAR, bench.ambient_pa);
    run(&bench, 40, 1);
    tt_near(near_mbar(&bench, 0), 401, 1e-9, "choked: a straight line");
    run(&bench, 1000, 1);
    tt_near(near_mbar(&bench, 0), 1013.25, 1e-6, "full, and not beyond");
}

/* Reference: water_vapour_pressure.csv (IAPWS-IF97). */
static void a_wet_bag_levels_off_at_the_vapour_pressure_until_the_water_is_gone(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "water_vapour_pressure.csv");
    while (tt_csv_next(&table)) {
        double degc = tt_csv_number(&table, "t_degC");
        if (degc > 60)
            continue;
        struct taut_bench bench = bench_of(1, 0, 0, 1013.25);
        bench.temperature_k = degc + 273.15;
        struct taut_bag *bag = add_bag(&bench, 1, 0.5, 0.05, 0);
        put(bag, 1, 1);
        bag->spec.moisture_m3_per_s = 0.02 * LITRE;
        bag->moisture_left_pa_m3 = 1000 * MBAR * LITRE;
        run(&bench, 3000, 1);
        tt_near(near_mbar(&bench, 0) * MBAR - 100, tt_csv_number(&table, "p_sat_Pa_IF97"), 1e-6, "plateau");
    }
    tt_csv_close(&table);
    struct taut_bench bench = bench_of(1, 0, 0, 1013.25);
    struct taut_bag *bag = add_bag(&bench, 1, 0.5, 0.05, 0);
    put(bag, 1, 1);
    bag->spec.moisture_m3_per_s = 0.02 * LITRE;
    bag->moisture_left_pa_m3 = 6 * MBAR * LITRE;
    run(&bench, 3000, 1);
    tt_near(near_mbar(&bench, 0), 1 + 6 / 1.5, 1e-6, "all of it evaporated");
}

/* Reference: darcy_fill_time.csv, front at half the time at 1 / sqrt(2) of the length. */
static void the_front_moves_with_the_root_of_time(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "darcy_fill_time.csv");
    while (tt_csv_next(&table)) {
        struct taut_bench bench = bench_of(1e6, 0, 0, 1013.25);
        bench.manifold.air_pa = 0;
        struct taut_bag *bag = add_bag(&bench, 1.5, 1, 20, 20); /* wide: the front stays under full vacuum */
        put(bag, 0, 0);
        bag->feed_open = true;
        bag->fill_s = tt_csv_number(&table, "t_fill_s");
        run(&bench, 0.5 * bag->fill_s, 0.5);
        tt_near(bag->front_frac, tt_csv_number(&table, "front_at_half_time_m") / tt_csv_number(&table, "L_m"), 2e-3, "front");
    }
    tt_csv_close(&table);
}

static void behind_the_front_the_far_gauge_reads_resin_and_in_it_the_vent_gauge_stops(void **state)
{
    (void)state;
    struct taut_bench bench = bench_of(8, 2, 1, 1013.25);
    struct taut_bag *bag = add_bag(&bench, 1.5, 1, 0.2, 0.5);
    run(&bench, 600, 0.1);
    double dry = taut_bench_pressure_pa(&bench, 0, TAUT_PLACE_FAR);
    bag->feed_open = true;
    bag->fill_s = 300;
    run(&bench, 100, 0.1);
    double wet = taut_bench_pressure_pa(&bench, 0, TAUT_PLACE_FAR);
    double linear = 101325 * (1 - 0.15 / bag->front_frac);
    assert_true(dry < 2 * MBAR);
    tt_near(wet, linear, 0.01, "Darcy: linear between feed and front");
    assert_true(taut_bench_pressure_pa(&bench, 0, TAUT_PLACE_FEED) == bench.ambient_pa);
    taut_bag_cover_vent(bag);
    double held = near_mbar(&bench, 0);
    taut_bag_valve(bag, false);
    bag->leak_near_pa_m3_per_s = taut_bag_leak_for_rate(bag, 5, bench.ambient_pa);
    run(&bench, 100, 0.1);
    assert_true(near_mbar(&bench, 0) == held);
    assert_true(bag->near.air_pa > 100 + held * MBAR);
}

static void heat_raises_the_pressure_of_an_isolated_bag_by_the_gas_law(void **state)
{
    (void)state;
    struct taut_bench bench = bench_of(1, 0, 0, 1013.25);
    struct taut_bag *bag = add_bag(&bench, 2, 1, 0.1, 0);
    put(bag, 10, 10);
    bag->warmer_k = 29.315;
    run(&bench, 60 * bag->warming_s, 1);
    tt_near(near_mbar(&bench, 0), 11, 1e-9, "Gay-Lussac");
}

static void a_stuck_valve_stays_and_a_bad_seat_passes_gas(void **state)
{
    (void)state;
    struct taut_bench bench = bench_of(8, 2, 1, 1013.25);
    struct taut_bag *bag = add_bag(&bench, 2, 0, 0, 0.5);
    taut_bag_valve(bag, false);
    run(&bench, 60, 0.1);
    assert_true(near_mbar(&bench, 0) == 1013.25);
    bag->valve_stuck = true;
    taut_bag_valve(bag, true);
    assert_false(bag->valve_open);
    bag->spec.seat_m3_per_s = 0.01 * LITRE;
    run(&bench, 200, 0.1);
    tt_near(near_mbar(&bench, 0), 1 + 1012.25 * exp(-1), 0.01, "through the seat: one time constant of V / C");
}

/* A random bench of everything at once loses and makes no gas, stays finite and positive, at any step up to 1 s. */
static void gas_is_conserved_whatever_happens(void **state)
{
    (void)state;
    for (uint64_t seed = 1; seed <= 12; seed++) {
        struct taut_random random;
        taut_random_init(&random, seed, 0);
        struct taut_bench bench =
            bench_of(taut_random_between(&random, 0.2, 20), taut_random_between(&random, 0.1, 20), 1, 1013.25);
        bench.pump.backflow_m3_per_s = 1e-4;
        for (int i = 0; i < 6; i++) {
            struct taut_bag *bag = add_bag(&bench, taut_random_between(&random, 0.02, 10), taut_random_between(&random, 0, 10),
                                           taut_random_between(&random, 0.001, 2), taut_random_between(&random, 0.01, 5));
            bag->leak_near_pa_m3_per_s = taut_random_between(&random, 0, 0.05);
            bag->leak_far_pa_m3_per_s = taut_random_between(&random, 0, 0.05);
            bag->law = taut_random_uniform(&random) < 0.5 ? TAUT_BAG_LEAK_ORIFICE : TAUT_BAG_LEAK_LAMINAR;
            bag->release_left_pa_m3 = 5;
            bag->spec.moisture_m3_per_s = 1e-5;
            bag->moisture_left_pa_m3 = taut_random_between(&random, 0, 3);
            bag->warmer_k = taut_random_between(&random, -5, 40);
            bag->feed_open = taut_random_uniform(&random) < 0.5;
            bag->fill_s = 200;
        }
        double start = taut_bench_gas(&bench);
        for (int step = 0; step < 600; step++) {
            struct taut_bag *bag = &bench.bag[step % 6];
            if (step % 37 == 0)
                taut_bag_valve(bag, taut_random_uniform(&random) < 0.5);
            if (step % 101 == 0)
                bench.pump_runs = !bench.pump_runs;
            taut_bench_step(&bench, (const double[]){1.0, 0.3, 0.01}[step % 3]);
            double want = start + bench.in_pa_m3_per_k - bench.out_pa_m3_per_k;
            if (fabs(taut_bench_gas(&bench) - want) > 1e-10 * (start + bench.in_pa_m3_per_k))
                fail_msg("seed %d step %d: gas %.15g, want %.15g", (int)seed, step, taut_bench_gas(&bench), want);
            for (int i = 0; i < bench.bags; i++)
                if (!(bench.bag[i].near.air_pa >= 0 && bench.bag[i].near.water_pa >= 0 && bench.bag[i].far.air_pa >= 0))
                    fail_msg("seed %d step %d: negative pressure", (int)seed, step);
        }
    }
}

static double vent_after_a_minute(double dt_s)
{
    struct taut_bench bench = bench_of(4, 2, 1, 1013.25);
    add_bag(&bench, 1.4, 1, 0.1, 0.5)->leak_far_pa_m3_per_s = 0.01;
    add_bag(&bench, 5, 4, 0.1, 0.3);
    run(&bench, 60, dt_s);
    return near_mbar(&bench, 0);
}

static void the_step_hardly_matters_and_the_error_falls_with_its_square(void **state)
{
    (void)state;
    double fine = vent_after_a_minute(0.001);
    tt_near(vent_after_a_minute(1.0), fine, 5e-3, "steps of a second");
    double coarse_error = fabs(vent_after_a_minute(0.2) - fine), half_error = fabs(vent_after_a_minute(0.1) - fine);
    assert_true(half_error < coarse_error / 3);
}

static void a_failing_pump_lifts_the_manifold_for_all_bags(void **state)
{
    (void)state;
    struct taut_bench bench = bench_of(8, 2, 1, 1013.25);
    bench.pump.backflow_m3_per_s = 0.05 * LITRE;
    add_bag(&bench, 2, 1, 0.1, 0.5);
    add_bag(&bench, 5, 4, 0.1, 0.5);
    run(&bench, 600, 0.1);
    assert_true(near_mbar(&bench, 0) < 1.1 && near_mbar(&bench, 1) < 1.1);
    bench.pump_runs = false;
    run(&bench, 60, 0.1);
    const double volume_l = 8 + 3 + 9;
    double mean_mbar = taut_bench_gas(&bench) * bench.temperature_k / (volume_l * LITRE) / MBAR;
    tt_near(mean_mbar, 1013.25 - 1012.25 * exp(-0.05 / volume_l * 60), 0.03, "backflow into all of the volume");
    assert_true(near_mbar(&bench, 0) > 50 && near_mbar(&bench, 1) > 50);
    bench.pump_runs = true;
    bench.ultimate_rise_pa_per_s = 10;
    run(&bench, far_future_s / 1e4, 0.1);
    tt_near_abs(manifold_mbar(&bench), 1 + 10, 2, "ultimate pressure creeps up");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sizes_that_make_no_sense_are_refused),
        cmocka_unit_test(a_closed_manifold_pumps_down_as_the_text_books_say),
        cmocka_unit_test(a_bag_on_a_wide_line_reaches_the_target_in_the_stated_time),
        cmocka_unit_test(a_leaking_manifold_settles_where_pump_and_leak_balance),
        cmocka_unit_test(two_joined_volumes_come_to_the_pressure_boyle_gives),
        cmocka_unit_test(resin_squeezes_the_dry_volume),
        cmocka_unit_test(an_isolated_bag_rises_by_relaxation_plus_leak),
        cmocka_unit_test(a_laminar_leak_fills_the_bag_along_the_tanh),
        cmocka_unit_test(an_orifice_leak_is_choked_below_its_critical_ratio_and_then_falls),
        cmocka_unit_test(a_wet_bag_levels_off_at_the_vapour_pressure_until_the_water_is_gone),
        cmocka_unit_test(the_front_moves_with_the_root_of_time),
        cmocka_unit_test(behind_the_front_the_far_gauge_reads_resin_and_in_it_the_vent_gauge_stops),
        cmocka_unit_test(heat_raises_the_pressure_of_an_isolated_bag_by_the_gas_law),
        cmocka_unit_test(a_stuck_valve_stays_and_a_bad_seat_passes_gas),
        cmocka_unit_test(gas_is_conserved_whatever_happens),
        cmocka_unit_test(the_step_hardly_matters_and_the_error_falls_with_its_square),
        cmocka_unit_test(a_failing_pump_lifts_the_manifold_for_all_bags),
    };
    return cmocka_run_group_tests_name("bag", tests, NULL, NULL);
}
