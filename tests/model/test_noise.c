/* Sensor noise: sd and lag-1 correlation within sampling error, whatever the interval of reading; faults. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/noise.h"
#include "tt_csv.h"

enum { READINGS = 200000 };

static struct taut_sensor sensor_with(struct taut_sensor_spec spec, uint64_t seed)
{
    struct taut_sensor sensor;
    taut_sensor_init(&sensor, &spec, seed, 1);
    return sensor;
}

static void equal_seeds_give_equal_streams_and_others_differ(void **state)
{
    (void)state;
    struct taut_random a, b, other_seed, other_stream;
    taut_random_init(&a, 7, 1);
    taut_random_init(&b, 7, 1);
    taut_random_init(&other_seed, 8, 1);
    taut_random_init(&other_stream, 7, 2);
    int same_seed = 0, same_stream = 0;
    for (int i = 0; i < 1000; i++) {
        uint64_t bits = taut_random_bits(&a);
        assert_true(bits == taut_random_bits(&b));
        same_seed += bits == taut_random_bits(&other_seed);
        same_stream += bits == taut_random_bits(&other_stream);
    }
    assert_int_equal(same_seed + same_stream, 0);
}

/* Moments of the uniform and the normal distribution within 5 standard errors; tails as the normal has them. */
static void uniform_and_normal_numbers_have_the_moments_they_should(void **state)
{
    (void)state;
    struct taut_random random;
    taut_random_init(&random, 3, 0);
    double u1 = 0, z1 = 0, z2 = 0, z4 = 0;
    int beyond = 0;
    for (int i = 0; i < READINGS; i++) {
        double u = taut_random_uniform(&random), z = taut_random_normal(&random);
        assert_true(u > 0 && u < 1);
        u1 += u;
        z1 += z;
        z2 += z * z;
        z4 += z * z * z * z;
        beyond += fabs(z) > 1.959963984540054;
    }
    double root = sqrt((double)READINGS);
    tt_near_abs(u1 / READINGS, 0.5, 5 * sqrt(1.0 / 12) / root, "mean of uniform");
    tt_near_abs(z1 / READINGS, 0, 5 / root, "mean of normal");
    tt_near_abs(z2 / READINGS, 1, 5 * sqrt(2.0) / root, "variance");
    tt_near_abs(z4 / READINGS, 3, 5 * sqrt(96.0) / root, "fourth moment");
    tt_near_abs((double)beyond / READINGS, 0.05, 5 * sqrt(0.05 * 0.95) / root, "tails");
}

static void check_ar1(double phi_at_tenth, double dt_s)
{
    const double sd = 10;
    struct taut_sensor sensor =
        sensor_with((struct taut_sensor_spec){.sd = sd, .correlation_s = taut_noise_correlation_s(phi_at_tenth, 0.1)}, 11);
    double phi = pow(phi_at_tenth, dt_s / 0.1), last = 0, s2 = 0, s11 = 0, s1 = 0;
    for (int i = 0; i < READINGS; i++) {
        double x = taut_sensor_step(&sensor, 5000, dt_s) - 5000;
        s1 += x;
        s2 += x * x;
        s11 += x * last;
        last = x;
    }
    double n = READINGS, inflation = (1 + phi * phi) / (1 - phi * phi);
    /* large-sample errors of mean, variance and lag-1 correlation of AR(1) (Bartlett; from memory) */
    tt_near_abs(s1 / n, 0, 5 * sd * sqrt((1 + phi) / (1 - phi) / n), "mean");
    tt_near_abs(s2 / n, sd * sd, 5 * sd * sd * sqrt(2 * inflation / n), "variance");
    tt_near_abs(s11 / s2, phi, 5 * sqrt((1 - phi * phi) / n) + 1e-4, "lag-1 correlation");
}

static void noise_keeps_sd_and_correlation_time_at_any_interval(void **state)
{
    (void)state;
    static const double phis[] = {0.5, 0.9, 0.99};
    static const double intervals[] = {0.02, 0.1, 0.5};
    for (size_t p = 0; p < 3; p++)
        for (size_t i = 0; i < 3; i++)
            check_ar1(phis[p], intervals[i]);
}

static void the_first_reading_is_already_in_balance(void **state)
{
    (void)state;
    double s2 = 0;
    const int sensors = 20000;
    for (int i = 0; i < sensors; i++) {
        struct taut_sensor sensor = sensor_with((struct taut_sensor_spec){.sd = 3, .correlation_s = 100}, (uint64_t)i);
        double x = taut_sensor_step(&sensor, 0, 0);
        s2 += x * x;
    }
    tt_near_abs(s2 / sensors, 9, 5 * 9 * sqrt(2.0 / sensors), "variance of first readings");
}

static void wander_grows_with_the_root_of_time(void **state)
{
    (void)state;
    double s2 = 0;
    const int sensors = 4000;
    for (int i = 0; i < sensors; i++) {
        struct taut_sensor sensor = sensor_with((struct taut_sensor_spec){.wander_per_sqrt_s = 0.5}, (uint64_t)i);
        taut_sensor_step(&sensor, 0, 0);
        for (int s = 0; s < 100; s++)
            taut_sensor_step(&sensor, 0, s % 2 ? 0.3 : 0.7);
        s2 += sensor.reading * sensor.reading;
    }
    tt_near_abs(s2 / sensors, 0.25 * 50, 5 * 0.25 * 50 * sqrt(2.0 / sensors), "variance after 50 s");
}

static void lag_drift_offset_and_steps_are_as_stated(void **state)
{
    (void)state;
    struct taut_sensor lag = sensor_with((struct taut_sensor_spec){.lag_s = 2}, 1);
    taut_sensor_step(&lag, 0, 0);
    for (int i = 0; i < 40; i++)
        taut_sensor_step(&lag, 100, 0.1);
    tt_near(lag.reading, 100 * (1 - exp(-2)), 1e-12, "lag");
    struct taut_sensor drift = sensor_with((struct taut_sensor_spec){.drift_per_s = 0.25, .offset = -3}, 1);
    taut_sensor_step(&drift, 10, 0);
    tt_near(taut_sensor_step(&drift, 10, 8), 9, 1e-12, "drift and offset");
    struct taut_sensor coarse = sensor_with((struct taut_sensor_spec){.quantum = 25}, 1);
    assert_true(taut_sensor_step(&coarse, 113, 0) == 125);
    assert_true(taut_sensor_step(&coarse, 112, 1) == 100);
}

static void no_time_no_new_reading(void **state)
{
    (void)state;
    struct taut_sensor sensor = sensor_with((struct taut_sensor_spec){.sd = 1}, 1);
    double first = taut_sensor_step(&sensor, 0, 0.1);
    assert_true(taut_sensor_step(&sensor, 50, 0) == first);
    assert_true(taut_sensor_step(&sensor, 50, 0.1) != first);
}

static void check_fault(enum taut_sensor_fault fault, double number, enum taut_quality quality, enum taut_reason reason)
{
    struct taut_sensor sensor = sensor_with((struct taut_sensor_spec){.sd = 1}, 5);
    taut_sensor_step(&sensor, 500, 0.1);
    taut_sensor_break(&sensor, fault, number);
    taut_sensor_step(&sensor, 500, 0.1);
    struct taut_sample sample = taut_sensor_sample(&sensor);
    if (sample.quality != quality || sample.reason != reason)
        fail_msg("%s: quality %d reason %d", taut_sensor_fault_text(fault), (int)sample.quality, (int)sample.reason);
    assert_true(isnan(sample.value) == (quality == TAUT_QUALITY_BAD));
    taut_sensor_break(&sensor, TAUT_SENSOR_OK, 0);
    tt_near_abs(taut_sensor_step(&sensor, 900, 0.1), 900, 6, "mended");
    assert_int_equal(taut_sensor_sample(&sensor).quality, TAUT_QUALITY_GOOD);
}

static void every_fault_shows_as_it_would_on_a_channel(void **state)
{
    (void)state;
    check_fault(TAUT_SENSOR_OK, 0, TAUT_QUALITY_GOOD, TAUT_REASON_NONE);
    check_fault(TAUT_SENSOR_FROZEN, 0, TAUT_QUALITY_GOOD, TAUT_REASON_NONE);
    check_fault(TAUT_SENSOR_OPEN, 0, TAUT_QUALITY_BAD, TAUT_REASON_NOT_A_NUMBER);
    check_fault(TAUT_SENSOR_SHORT, 0, TAUT_QUALITY_BAD, TAUT_REASON_NOT_A_NUMBER);
    check_fault(TAUT_SENSOR_STUCK, 1234, TAUT_QUALITY_GOOD, TAUT_REASON_NONE);
    check_fault(TAUT_SENSOR_STUCK, -50, TAUT_QUALITY_BAD, TAUT_REASON_OUT_OF_RANGE);
    check_fault(TAUT_SENSOR_NOISY, 2, TAUT_QUALITY_GOOD, TAUT_REASON_NONE);
    check_fault(TAUT_SENSOR_DRIFTING, 1, TAUT_QUALITY_GOOD, TAUT_REASON_NONE);
    check_fault(TAUT_SENSOR_SILENT, 0, TAUT_QUALITY_BAD, TAUT_REASON_NO_ANSWER);
    check_fault(TAUT_SENSOR_EXCEPTION, 4, TAUT_QUALITY_BAD, TAUT_REASON_EXCEPTION);
    check_fault(TAUT_SENSOR_SLOW, 2, TAUT_QUALITY_BAD, TAUT_REASON_NO_ANSWER);
}

static void a_frozen_sensor_repeats_itself_to_the_bit(void **state)
{
    (void)state;
    struct taut_sensor sensor = sensor_with((struct taut_sensor_spec){.sd = 1}, 5);
    double held = taut_sensor_step(&sensor, 500, 0.1);
    taut_sensor_break(&sensor, TAUT_SENSOR_FROZEN, 0);
    for (int i = 0; i < 100; i++)
        assert_true(taut_sensor_step(&sensor, 500 + i, 0.1) == held);
}

static void a_runaway_sensor_leaves_the_truth_at_its_rate(void **state)
{
    (void)state;
    struct taut_sensor sensor = sensor_with((struct taut_sensor_spec){0}, 5);
    taut_sensor_step(&sensor, 500, 0);
    taut_sensor_break(&sensor, TAUT_SENSOR_DRIFTING, -2);
    for (int i = 0; i < 10; i++)
        taut_sensor_step(&sensor, 500, 0.5);
    tt_near(sensor.reading, 490, 1e-12, "runaway");
}

/* Reference: float32_word_order.csv; ABCD with its words swapped is CDAB. */
static void swapped_words_are_those_of_the_other_order(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "float32_word_order.csv");
    while (tt_csv_next(&table)) {
        float value = taut_sensor_swap_words((float)tt_csv_number(&table, "nearest_float32"));
        unsigned byte[4];
        assert_int_equal(sscanf(tt_csv_text(&table, "CDAB_word_swapped"), "%x %x %x %x", &byte[0], &byte[1], &byte[2], &byte[3]),
                         4);
        uint32_t want = byte[0] << 24 | byte[1] << 16 | byte[2] << 8 | byte[3], got;
        memcpy(&got, &value, sizeof got);
        assert_int_equal(got, want);
    }
    tt_csv_close(&table);
}

static void fault_words_read_back(void **state)
{
    (void)state;
    for (int i = 0; i < TAUT_SENSOR_FAULTS; i++) {
        enum taut_sensor_fault fault = TAUT_SENSOR_FAULTS;
        assert_int_equal(taut_sensor_fault_parse(taut_sensor_fault_text((enum taut_sensor_fault)i), &fault), TAUT_OK);
        assert_int_equal(fault, i);
    }
    enum taut_sensor_fault untouched = TAUT_SENSOR_STUCK;
    assert_int_equal(taut_sensor_fault_parse("broken", &untouched), TAUT_E_NOENT);
    assert_int_equal(untouched, TAUT_SENSOR_STUCK);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(equal_seeds_give_equal_streams_and_others_differ),
        cmocka_unit_test(uniform_and_normal_numbers_have_the_moments_they_should),
        cmocka_unit_test(noise_keeps_sd_and_correlation_time_at_any_interval),
        cmocka_unit_test(the_first_reading_is_already_in_balance),
        cmocka_unit_test(wander_grows_with_the_root_of_time),
        cmocka_unit_test(lag_drift_offset_and_steps_are_as_stated),
        cmocka_unit_test(no_time_no_new_reading),
        cmocka_unit_test(every_fault_shows_as_it_would_on_a_channel),
        cmocka_unit_test(a_frozen_sensor_repeats_itself_to_the_bit),
        cmocka_unit_test(a_runaway_sensor_leaves_the_truth_at_its_rate),
        cmocka_unit_test(swapped_words_are_those_of_the_other_order),
        cmocka_unit_test(fault_words_read_back),
    };
    return cmocka_run_group_tests_name("noise", tests, NULL, NULL);
}
