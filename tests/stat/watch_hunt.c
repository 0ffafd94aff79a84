/* The quick rate for someone pressing along the tape: how fast a leak of 4 mbar/min that is pressed shut shows, and how
 * much the display trembles. Noise AR(1), phi 0.9 at 10 Hz, learnt by the filter from a minute of rising pressure.
 * Goals: sigma 0.02: half within 2.0 s, nine tenths within 4.5 s, 0.45 mbar/min; sigma 0.1: nine tenths within 11 s, 0.7. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#include "taut/hunt.h"
#include "taut/noise.h"
#include "taut/units.h"

enum { AFTER = 250 };

struct figures {
    double noise, half_s, most_s; /* mbar/min, s */
};

static struct figures measure(double sigma_mbar, double phi, double period_s, int runs)
{
    const double rate = 4 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    double shown[AFTER] = {0}, sum = 0, square = 0;
    long n = 0;
    for (int run = 0; run < runs; run++) {
        const struct taut_sensor_spec spec = {.sd = sigma_mbar * TAUT_PA_PER_MBAR,
                                              .correlation_s = taut_noise_correlation_s(phi, 0.1)};
        struct taut_sensor sensor;
        struct taut_hunt hunt;
        taut_sensor_init(&sensor, &spec, 77, (uint64_t)run);
        taut_hunt_init(&hunt, 0, TAUT_HUNT_AGILITY);
        double p = 2000, t = 0;
        for (int i = 0; i < (int)(120 / period_s); i++) {
            p += rate * period_s;
            t += period_s;
            taut_hunt_push(&hunt, t, taut_sensor_step(&sensor, p, period_s));
            if (t > 60) {
                double e = taut_mbar_per_min(hunt.rate_pa_per_s);
                sum += e;
                square += e * e;
                n++;
            }
        }
        for (int i = 0; i < AFTER; i++) {
            t += period_s;
            taut_hunt_push(&hunt, t, taut_sensor_step(&sensor, p, period_s));
            shown[i] += taut_mbar_per_min(hunt.rate_pa_per_s) / runs;
        }
    }
    struct figures f = {
        .noise = sqrt(square / (double)n - sum / (double)n * (sum / (double)n)), .half_s = INFINITY, .most_s = INFINITY};
    for (int i = AFTER - 1; i >= 0; i--) {
        if (shown[i] <= 2)
            f.half_s = (i + 1) * period_s;
        if (shown[i] <= 0.4)
            f.most_s = (i + 1) * period_s;
    }
    print_message("sigma %.2f phi %.1f every %.2f s: trembles %.2f mbar/min, half after %.1f s, nine tenths after %.1f s\n",
                  sigma_mbar, phi, period_s, f.noise, f.half_s, f.most_s);
    return f;
}

static void a_pressed_leak_shows_at_once_on_a_good_sensor(void **state)
{
    (void)state;
    struct figures f = measure(0.02, 0.9, 0.1, getenv("TAUT_STAT_FULL") ? 2000 : 300);
    assert_true(f.half_s <= 2.0 && f.most_s <= 4.5 && f.noise <= 0.45);
}

static void a_noisy_sensor_takes_longer_but_does_not_tremble(void **state)
{
    (void)state;
    struct figures f = measure(0.1, 0.9, 0.1, getenv("TAUT_STAT_FULL") ? 2000 : 300);
    assert_true(f.most_s <= 11 && f.noise <= 0.7);
}

static void other_noises_and_rates_stay_usable(void **state)
{
    (void)state;
    int runs = getenv("TAUT_STAT_FULL") ? 1000 : 100;
    assert_true(measure(0.25, 0.9, 0.1, runs).most_s < 20);
    assert_true(measure(0.1, 0, 0.1, runs).most_s < 7);
    assert_true(measure(0.1, 0.9, 0.5, runs).most_s < 12);
    assert_true(measure(0.1, 0.9, 1.0, runs).most_s < 14);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_pressed_leak_shows_at_once_on_a_good_sensor),
        cmocka_unit_test(a_noisy_sensor_takes_longer_but_does_not_tremble),
        cmocka_unit_test(other_noises_and_rates_stay_usable),
    };
    return cmocka_run_group_tests_name("watch hunt", tests, NULL, NULL);
}
