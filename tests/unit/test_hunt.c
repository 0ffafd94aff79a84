/* The quick dp/dt: exact on a straight rise, robust against gaps, spikes and jumps; the sound that goes with it. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/hunt.h"
#include "taut/noise.h"

static void follow(struct taut_hunt *hunt, struct taut_sensor *sensor, double *t_s, double *p_pa, double rate, double seconds)
{
    for (double end = *t_s + seconds; *t_s < end - 1e-6;) {
        *t_s += 0.1;
        *p_pa += rate * 0.1;
        taut_hunt_push(hunt, *t_s, taut_sensor_step(sensor, *p_pa, 0.1));
    }
}

static struct taut_sensor sensor_of(double sd, uint64_t seed)
{
    const struct taut_sensor_spec spec = {.sd = sd, .correlation_s = 0.95};
    struct taut_sensor sensor;
    taut_sensor_init(&sensor, &spec, seed, 0);
    return sensor;
}

static void nothing_is_known_before_the_third_reading(void **state)
{
    (void)state;
    struct taut_hunt hunt;
    taut_hunt_init(&hunt, 0, TAUT_HUNT_AGILITY);
    taut_hunt_push(&hunt, 0, 500);
    taut_hunt_push(&hunt, 0.1, 500);
    assert_true(isnan(hunt.rate_pa_per_s));
    taut_hunt_push(&hunt, 0.2, 500);
    assert_true(isfinite(hunt.rate_pa_per_s) && hunt.u_rate_pa_per_s > 0);
}

static void a_straight_rise_is_shown_as_it_is(void **state)
{
    (void)state;
    struct taut_hunt hunt;
    struct taut_sensor sensor = sensor_of(0, 1);
    double t = 0, p = 500;
    taut_hunt_init(&hunt, 0, TAUT_HUNT_AGILITY);
    follow(&hunt, &sensor, &t, &p, 6.5, 60);
    assert_true(fabs(hunt.rate_pa_per_s - 6.5) < 1e-3);
    assert_true(fabs(hunt.level_pa - p) < 1e-2);
}

static void the_noise_is_learnt_from_the_readings(void **state)
{
    (void)state;
    static const double sds[] = {1, 10, 40};
    for (int i = 0; i < 3; i++) {
        struct taut_hunt hunt;
        struct taut_sensor sensor = sensor_of(sds[i], 2);
        double t = 0, p = 500;
        taut_hunt_init(&hunt, 0, TAUT_HUNT_AGILITY);
        follow(&hunt, &sensor, &t, &p, 3, 300);
        assert_true(hunt.sigma_pa > 0.7 * sds[i] && hunt.sigma_pa < 1.3 * sds[i]);
        assert_true(hunt.memory_s > 0.5 && hunt.memory_s < 1.8);
    }
}

static void a_wild_reading_hardly_moves_it_and_a_jump_is_followed(void **state)
{
    (void)state;
    struct taut_hunt hunt;
    struct taut_sensor sensor = sensor_of(2, 3);
    double t = 0, p = 500;
    taut_hunt_init(&hunt, 0, TAUT_HUNT_AGILITY);
    follow(&hunt, &sensor, &t, &p, 0, 120);
    t += 0.1;
    taut_hunt_push(&hunt, t, 60000);
    assert_true(fabs(hunt.rate_pa_per_s) < 3 && fabs(hunt.level_pa - 500) < 10);
    p = 5000;
    follow(&hunt, &sensor, &t, &p, 0, 8);
    assert_true(fabs(hunt.level_pa - 5000) < 10 && fabs(hunt.rate_pa_per_s) < 3);
}

static void bad_times_and_values_are_ignored_and_a_gap_begins_anew(void **state)
{
    (void)state;
    struct taut_hunt hunt;
    struct taut_sensor sensor = sensor_of(2, 4);
    double t = 0, p = 500;
    taut_hunt_init(&hunt, 0, TAUT_HUNT_AGILITY);
    follow(&hunt, &sensor, &t, &p, 2, 60);
    struct taut_hunt before = hunt;
    taut_hunt_push(&hunt, t, 900);
    taut_hunt_push(&hunt, t - 5, 900);
    taut_hunt_push(&hunt, t + 1, (double)NAN);
    assert_memory_equal(&hunt, &before, sizeof hunt);
    t += 100;
    p = 3000;
    follow(&hunt, &sensor, &t, &p, 2, 30);
    assert_true(fabs(hunt.rate_pa_per_s - 2) < 1.5 && fabs(hunt.level_pa - p) < 10);
}

static void the_sound_quickens_with_the_rate(void **state)
{
    (void)state;
    assert_true(taut_hunt_ticks_per_s(0, 1) == 1);
    assert_true(taut_hunt_ticks_per_s(-5, 1) == 1);
    assert_true(fabs(taut_hunt_ticks_per_s(1, 1) - sqrt(20)) < 1e-9);
    assert_true(taut_hunt_ticks_per_s(10, 1) == 20);
    assert_true(taut_hunt_ticks_per_s(1e9, 1) == 20);
    assert_true(taut_hunt_ticks_per_s((double)NAN, 1) == 0);
    assert_true(taut_hunt_ticks_per_s(1, 0) == 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_is_known_before_the_third_reading),
        cmocka_unit_test(a_straight_rise_is_shown_as_it_is),
        cmocka_unit_test(the_noise_is_learnt_from_the_readings),
        cmocka_unit_test(a_wild_reading_hardly_moves_it_and_a_jump_is_followed),
        cmocka_unit_test(bad_times_and_values_are_ignored_and_a_gap_begins_anew),
        cmocka_unit_test(the_sound_quickens_with_the_rate),
    };
    return cmocka_run_group_tests_name("hunt", tests, NULL, NULL);
}
