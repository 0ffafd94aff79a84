/* When a unit is left alone and for how long. The goal, at most a tenth of the neighbours' polls lost and found again
 * within ten seconds, is our own. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "bus/health.h"

#define S INT64_C(1000000000)

static void three_failures_in_a_row_send_a_unit_away_and_one_answer_brings_it_back(void **state)
{
    (void)state;
    struct tautd_health h = {.id = 1};
    assert_false(tautd_health_failed(&h, TAUT_REASON_NO_ANSWER, 0));
    assert_false(tautd_health_failed(&h, TAUT_REASON_NO_ANSWER, 0));
    assert_false(tautd_health_good(&h, S / 100));
    assert_false(tautd_health_failed(&h, TAUT_REASON_NO_ANSWER, 0));
    assert_false(tautd_health_failed(&h, TAUT_REASON_BAD_FRAME, 0));
    assert_true(tautd_health_failed(&h, TAUT_REASON_NO_ANSWER, 0x0B));
    assert_true(h.away);
    assert_int_equal(h.reason, TAUT_REASON_NO_ANSWER);
    assert_int_equal(h.exception, 0x0B);
    assert_false(tautd_health_failed(&h, TAUT_REASON_NO_ANSWER, 0)); /* told once */
    assert_true(tautd_health_good(&h, S / 100));
    assert_false(h.away);
}

static void tries_take_at_most_one_part_in_eleven_of_the_line(void **state)
{
    (void)state;
    for (int64_t cost = S / 10; cost <= S; cost += S / 10)
        for (int away = 1; away <= 4; away++) {
            int64_t pause = tautd_health_pause_ns(cost, away, 8 - away, 100 * S);
            assert_true(pause >= S);
            assert_true((double)(cost * away) / (double)(cost * away + pause) <= 1.0 / 11 + 1e-9);
        }
    /* half a second, the usual time-out: asked again well within ten */
    assert_true(tautd_health_pause_ns(S / 2, 1, 7, 30 * S) <= 6 * S);
}

static void without_neighbours_or_beyond_the_longest_pause_a_unit_is_asked_sooner(void **state)
{
    (void)state;
    assert_int_equal(tautd_health_pause_ns(S, 3, 0, 30 * S), S);
    assert_int_equal(tautd_health_pause_ns(2 * S, 2, 1, 30 * S), 30 * S);
    assert_int_equal(tautd_health_pause_ns(S, 1, 1, 5 * S), 5 * S);
}

static void a_known_unit_is_tried_quickly_and_every_fourth_time_patiently(void **state)
{
    (void)state;
    struct tautd_health h = {.id = 1};
    tautd_health_good(&h, S / 20);
    assert_true(tautd_health_timeout_s(&h, 1.0) == 1.0);
    for (int i = 0; i < TAUTD_AWAY_AFTER; i++)
        tautd_health_failed(&h, TAUT_REASON_NO_ANSWER, 0);
    static const double want[] = {0.2, 0.2, 0.2, 1.0, 0.2};
    for (int i = 0; i < 5; i++)
        assert_true(tautd_health_timeout_s(&h, 1.0) > want[i] - 1e-9 && h.tries == (unsigned)i + 1);
    h.tries = 0;
    assert_true(tautd_health_timeout_s(&h, 1.0) < 0.21);
    assert_true(tautd_health_timeout_s(&h, 0.15) == 0.15); /* never longer than configured */
}

static void a_unit_never_heard_of_is_always_tried_patiently(void **state)
{
    (void)state;
    struct tautd_health h = {.id = 1};
    for (int i = 0; i < 10; i++) {
        tautd_health_failed(&h, TAUT_REASON_NO_ANSWER, 0);
        assert_true(tautd_health_timeout_s(&h, 0.7) == 0.7);
    }
}

static void reconnecting_waits_0_1_2_4_seconds_up_to_the_longest(void **state)
{
    (void)state;
    static const int64_t want[] = {0, 0, 1, 2, 4, 8, 16, 30, 30};
    for (int i = 0; i < 9; i++)
        assert_int_equal(tautd_health_reconnect_ns(i, 30 * S), want[i] * S);
    assert_int_equal(tautd_health_reconnect_ns(1000000, 30 * S), 30 * S);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(three_failures_in_a_row_send_a_unit_away_and_one_answer_brings_it_back),
        cmocka_unit_test(tries_take_at_most_one_part_in_eleven_of_the_line),
        cmocka_unit_test(without_neighbours_or_beyond_the_longest_pause_a_unit_is_asked_sooner),
        cmocka_unit_test(a_known_unit_is_tried_quickly_and_every_fourth_time_patiently),
        cmocka_unit_test(a_unit_never_heard_of_is_always_tried_patiently),
        cmocka_unit_test(reconnecting_waits_0_1_2_4_seconds_up_to_the_longest),
    };
    return cmocka_run_group_tests_name("health", tests, NULL, NULL);
}
