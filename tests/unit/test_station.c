/* The station's one step: phases, commands, refusals, and that nothing but a passed test makes a bag tight.
 * Phase rules: common practice, no source. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "taut/taut.h"

/* One bench with a made-up bag: readings at 10 Hz with a little seeded noise. */
struct bench {
    struct taut_station station;
    struct taut_effects effects;
    struct taut_diag diag;
    int64_t t_ns;
    uint32_t random;
    double p_pa;
    double rise_pa_per_s; /* when the bag is shut off */
    bool valve_works;     /* a shut valve really shuts */
    unsigned seen;        /* kinds of effects that came since last cleared */
};

static double noise(struct bench *b)
{
    double sum = 0;
    for (int i = 0; i < 4; i++) {
        b->random = b->random * 1664525u + 1013904223u;
        sum += (double)(b->random >> 8) / 16777216.0 - 0.5;
    }
    return sum * 3.0; /* about 1.7 Pa */
}

static enum taut_status give(struct bench *b, struct taut_event *event)
{
    event->t_ns = b->t_ns;
    event->wall_ns = INT64_C(1795600000000000000) + b->t_ns;
    enum taut_status status = taut_station_step(&b->station, event, &b->effects, &b->diag);
    for (int i = 0; i < b->effects.count; i++)
        b->seen |= 1u << b->effects.effect[i].kind;
    return status;
}

static enum taut_status command(struct bench *b, enum taut_verb verb, const char *text)
{
    struct taut_event event = {.kind = TAUT_EVENT_COMMAND};
    event.command.verb = verb;
    event.command.alarm = TAUT_ALARM_KINDS;
    snprintf(event.command.who, sizeof event.command.who, "mara");
    snprintf(event.command.text, sizeof event.command.text, "%s", text);
    return give(b, &event);
}

static struct taut_recipe recipe(void)
{
    return (struct taut_recipe){.name = "rudder",
                                .drawdown_below_pa = 1000,
                                .drawdown_hold_s = 5,
                                .drawdown_max_s = 60,
                                .settle_min_s = 10,
                                .settle_max_s = 120,
                                .limit_pa_per_s = 0.5 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
                                .rise_limit_pa = NAN,
                                .rise_within_s = NAN,
                                .test_min_s = 30,
                                .test_s = 300,
                                .mode = TAUT_TEST_FIXED,
                                .risk = 0.01,
                                .fill_false_alarm_h = 1000,
                                .fill_leak_pa_per_s = 2 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
                                .fill_step_pa = 100,
                                .fill_tell_s = 30,
                                .fill_below_pa = NAN,
                                .clamp_limit_pa_per_s = 20 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
                                .cure_below_pa = NAN};
}

static enum taut_status start(struct bench *b)
{
    struct taut_event event = {.kind = TAUT_EVENT_COMMAND};
    event.command.verb = TAUT_VERB_START;
    snprintf(event.run.part, sizeof event.run.part, "RUDDER-017");
    event.run.number = 1;
    event.run.recipe = recipe();
    b->t_ns = 0;
    return give(b, &event);
}

static void init(struct bench *b, enum taut_valve valve)
{
    memset(b, 0, sizeof *b);
    struct taut_station_setup setup = {.name = "A", .valve = valve, .volume_m3 = NAN, .u_volume_m3 = NAN};
    setup.channel[TAUT_ROLE_VENT] = (struct taut_station_channel){.wired = true, .name = "A.vent", .u_pa = 10};
    taut_station_init(&b->station, &setup);
    b->random = 1;
    b->p_pa = 300;
    b->valve_works = true;
}

static void sweep(struct bench *b, enum taut_quality quality, enum taut_reason reason)
{
    bool shut = !b->station.valve_open && b->valve_works;
    if (shut)
        b->p_pa += 0.1 * b->rise_pa_per_s;
    struct taut_event event = {.kind = TAUT_EVENT_SWEEP};
    event.sweep.present = 1u << TAUT_ROLE_VENT;
    event.sweep.sample[TAUT_ROLE_VENT] =
        (struct taut_sample){.value = quality == TAUT_QUALITY_BAD ? NAN : taut_sample_round_pa(b->p_pa + noise(b)),
                             .quality = quality,
                             .reason = reason};
    b->t_ns += 100 * TAUT_NS_PER_MS;
    assert_int_equal(give(b, &event), TAUT_OK);
    for (int i = 0; i < b->effects.count; i++)
        if (b->effects.effect[i].kind == TAUT_EFFECT_VALVE) { /* the bench answers that the output was written */
            struct taut_event valve = {.kind = TAUT_EVENT_VALVE, .ok = true};
            assert_int_equal(give(b, &valve), TAUT_OK);
            break;
        }
}

static void run_s(struct bench *b, double seconds)
{
    for (int i = 0; i < (int)(seconds * 10); i++)
        sweep(b, TAUT_QUALITY_GOOD, TAUT_REASON_NONE);
}

/* Run until the phase is reached, at most so long. */
static void run_to(struct bench *b, enum taut_phase phase, double most_s)
{
    for (int i = 0; i < (int)(most_s * 10) && b->station.phase != phase; i++)
        sweep(b, TAUT_QUALITY_GOOD, TAUT_REASON_NONE);
    assert_string_equal(taut_phase_text(b->station.phase), taut_phase_text(phase));
}

static void tight_bag_is_shut_off_by_itself_and_becomes_ready(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    b.rise_pa_per_s = 0.05 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    assert_int_equal(start(&b), TAUT_OK);
    assert_true(b.seen & (1u << TAUT_EFFECT_OPEN));
    run_to(&b, TAUT_PHASE_SETTLE, 10);
    assert_false(b.station.valve_open);
    run_to(&b, TAUT_PHASE_READY, 500);
    assert_true(b.station.tight);
    assert_true(b.station.valve_open);
    assert_int_equal(b.station.tests, 1);
    assert_int_equal(taut_station_last_test(&b.station)->result.verdict, TAUT_VERDICT_PASS);
}

static void leaking_bag_goes_back_to_drawdown_with_its_history(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    b.rise_pa_per_s = 3 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    assert_int_equal(start(&b), TAUT_OK);
    run_to(&b, TAUT_PHASE_SETTLE, 10);
    run_to(&b, TAUT_PHASE_DRAWDOWN, 500);
    assert_false(b.station.tight);
    assert_int_equal(taut_station_last_test(&b.station)->result.verdict, TAUT_VERDICT_FAIL);
    b.p_pa = 300;
    run_s(&b, 60);
    assert_int_equal(b.station.phase, TAUT_PHASE_DRAWDOWN); /* the second test waits for a person */
    b.rise_pa_per_s = 0.05 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    assert_int_equal(command(&b, TAUT_VERB_TEST, ""), TAUT_OK);
    struct taut_event valve = {.kind = TAUT_EVENT_VALVE, .ok = true};
    assert_int_equal(give(&b, &valve), TAUT_OK);
    run_to(&b, TAUT_PHASE_READY, 500);
    assert_int_equal(b.station.tests, 2);
    assert_int_equal(b.station.test[0].result.verdict, TAUT_VERDICT_FAIL);
    assert_int_equal(b.station.test[1].result.verdict, TAUT_VERDICT_PASS);
}

static void hand_valve_waits_for_the_operator(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_HAND);
    assert_int_equal(start(&b), TAUT_OK);
    run_s(&b, 30);
    assert_int_equal(b.station.phase, TAUT_PHASE_DRAWDOWN);
    char advice[TAUT_TEXT_MAX];
    taut_station_advice(&b.station, advice);
    assert_non_null(strstr(advice, "by hand"));
    assert_int_equal(command(&b, TAUT_VERB_ISOLATE, ""), TAUT_OK);
    assert_int_equal(b.station.phase, TAUT_PHASE_SETTLE);
}

static void bag_still_open_to_the_pump_is_inconclusive(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_HAND);
    b.valve_works = false; /* the operator says it is closed; it is not */
    b.rise_pa_per_s = 50 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    assert_int_equal(start(&b), TAUT_OK);
    run_s(&b, 30);
    assert_int_equal(command(&b, TAUT_VERB_ISOLATE, ""), TAUT_OK);
    run_to(&b, TAUT_PHASE_DRAWDOWN, 900);
    const struct taut_droptest_result *r = &taut_station_last_test(&b.station)->result;
    assert_int_equal(r->verdict, TAUT_VERDICT_INCONCLUSIVE);
    assert_string_equal(taut_droptest_why_word(r->why), taut_droptest_why_word(TAUT_WHY_STILL_PUMPED));
    assert_false(b.station.tight);
}

static void isolating_above_the_drawdown_pressure_needs_a_reason(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_HAND);
    b.p_pa = 3500;
    assert_int_equal(start(&b), TAUT_OK);
    run_s(&b, 5);
    assert_int_equal(command(&b, TAUT_VERB_ISOLATE, ""), TAUT_E_STATE);
    assert_non_null(strstr(b.diag.text, "35.0 mbar"));
    assert_int_equal(command(&b, TAUT_VERB_ISOLATE, "want to see how large the leak is"), TAUT_OK);
}

static void isolating_without_a_good_reading_is_refused(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_HAND);
    assert_int_equal(start(&b), TAUT_OK);
    assert_int_equal(command(&b, TAUT_VERB_ISOLATE, ""), TAUT_E_STATE);
    sweep(&b, TAUT_QUALITY_BAD, TAUT_REASON_NO_ANSWER);
    assert_int_equal(command(&b, TAUT_VERB_ISOLATE, ""), TAUT_E_STATE);
}

static void filling_without_a_pass_needs_a_recorded_reason(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_HAND);
    assert_int_equal(start(&b), TAUT_OK);
    run_s(&b, 10);
    assert_int_equal(command(&b, TAUT_VERB_FILL, ""), TAUT_E_STATE);
    assert_int_equal(b.station.phase, TAUT_PHASE_DRAWDOWN);
    assert_int_equal(command(&b, TAUT_VERB_FILL, "practice piece"), TAUT_OK);
    assert_string_equal(b.station.override_reason, "practice piece");
    assert_int_equal(b.station.phase, TAUT_PHASE_FILL);
}

static void interrupted_drop_test_is_inconclusive(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    assert_int_equal(start(&b), TAUT_OK);
    run_to(&b, TAUT_PHASE_DROP_TEST, 200);
    b.t_ns += 40 * TAUT_NS_PER_S;
    struct taut_event resume = {.kind = TAUT_EVENT_RESUME, .gap_ns = 40 * TAUT_NS_PER_S};
    assert_int_equal(give(&b, &resume), TAUT_OK);
    assert_int_equal(b.station.phase, TAUT_PHASE_DRAWDOWN);
    assert_int_equal(taut_station_last_test(&b.station)->result.verdict, TAUT_VERDICT_INCONCLUSIVE);
    assert_int_equal(taut_station_last_test(&b.station)->result.why, TAUT_WHY_INTERRUPTED);
}

static void ready_bag_that_nobody_watched_must_be_tested_again(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    b.rise_pa_per_s = 0.05 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    assert_int_equal(start(&b), TAUT_OK);
    run_to(&b, TAUT_PHASE_READY, 900);
    struct taut_event resume = {.kind = TAUT_EVENT_RESUME, .gap_ns = 600 * TAUT_NS_PER_S};
    assert_int_equal(give(&b, &resume), TAUT_OK);
    assert_false(b.station.tight);
    assert_int_equal(command(&b, TAUT_VERB_FILL, ""), TAUT_E_STATE);
}

static void valve_that_can_not_be_driven_ends_the_test_and_alarms(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    assert_int_equal(start(&b), TAUT_OK);
    run_to(&b, TAUT_PHASE_SETTLE, 20);
    struct taut_event valve = {.kind = TAUT_EVENT_VALVE, .ok = false};
    assert_int_equal(give(&b, &valve), TAUT_OK);
    assert_int_equal(taut_station_last_test(&b.station)->result.verdict, TAUT_VERDICT_INCONCLUSIVE);
    assert_true(taut_alarm_calls(&b.station.alarm[TAUT_ALARM_KIND_VALVE].alarm));
}

static void dead_sensor_alarms_with_its_reason_and_never_passes(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    assert_int_equal(start(&b), TAUT_OK);
    run_to(&b, TAUT_PHASE_DROP_TEST, 200);
    for (int i = 0; i < 9000 && b.station.phase != TAUT_PHASE_DRAWDOWN; i++)
        sweep(&b, TAUT_QUALITY_BAD, TAUT_REASON_LOOP_LOW);
    assert_int_equal(b.station.phase, TAUT_PHASE_DRAWDOWN);
    assert_int_equal(taut_station_last_test(&b.station)->result.verdict, TAUT_VERDICT_INCONCLUSIVE);
    assert_true(taut_alarm_calls(&b.station.alarm[TAUT_ALARM_KIND_SENSOR].alarm));
    assert_non_null(strstr(b.station.alarm[TAUT_ALARM_KIND_SENSOR].evidence, "loop-low"));
    assert_false(taut_alarm_calls(&b.station.alarm[TAUT_ALARM_KIND_COMMUNICATION].alarm));
}

static void silent_unit_alarms_as_communication(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_HAND);
    assert_int_equal(start(&b), TAUT_OK);
    for (int i = 0; i < 60; i++)
        sweep(&b, TAUT_QUALITY_BAD, TAUT_REASON_NO_ANSWER);
    assert_true(taut_alarm_calls(&b.station.alarm[TAUT_ALARM_KIND_COMMUNICATION].alarm));
    assert_false(taut_alarm_calls(&b.station.alarm[TAUT_ALARM_KIND_SENSOR].alarm));
    assert_int_equal(command(&b, TAUT_VERB_ACKNOWLEDGE, ""), TAUT_OK);
    assert_int_equal(b.station.alarm[TAUT_ALARM_KIND_COMMUNICATION].alarm.state, TAUT_ALARM_ACKED);
}

static void leak_in_fill_is_alarmed_and_named_after_the_test_passed(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    b.rise_pa_per_s = 0.05 * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
    assert_int_equal(start(&b), TAUT_OK);
    run_to(&b, TAUT_PHASE_READY, 900);
    run_s(&b, 120);
    assert_int_equal(command(&b, TAUT_VERB_FILL, ""), TAUT_OK);
    run_s(&b, 120);
    assert_false(taut_alarm_calls(&b.station.alarm[TAUT_ALARM_KIND_VACUUM_LOSS].alarm));
    for (int i = 0; i < 600; i++) {
        b.p_pa += 0.1 * 10 * TAUT_PA_PER_S_PER_MBAR_PER_MIN; /* 10 mbar/min at the gauge */
        sweep(&b, TAUT_QUALITY_GOOD, TAUT_REASON_NONE);
    }
    assert_true(taut_alarm_calls(&b.station.alarm[TAUT_ALARM_KIND_VACUUM_LOSS].alarm));
    assert_true(b.station.alarm[TAUT_ALARM_KIND_VACUUM_LOSS].evidence[0]);
}

static void bag_that_does_not_come_down_is_told(void **state)
{
    (void)state;
    struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    b.p_pa = 40000;
    assert_int_equal(start(&b), TAUT_OK);
    run_s(&b, 70);
    assert_true(taut_alarm_calls(&b.station.alarm[TAUT_ALARM_KIND_NOT_HOLDING].alarm));
}

/* Which command leads on from which phase; '-' refused, 'y' accepted (with a reason given). */
static void every_command_in_every_phase_is_either_allowed_or_refused_whole(void **state)
{
    (void)state;
    static const char *const expected[TAUT_VERBS] = {
        /*                          idle draw settle test ready fill clamp cure done */
        [TAUT_VERB_START] = "y-------y", [TAUT_VERB_ISOLATE] = "-y--y----", [TAUT_VERB_TEST] = "-y--y----",
        [TAUT_VERB_PUMP] = "--yy-----",  [TAUT_VERB_FILL] = "-y--y----",    [TAUT_VERB_CLAMP] = "-----y---",
        [TAUT_VERB_CURE] = "-----yy--",  [TAUT_VERB_FINISH] = "----yyyy-",  [TAUT_VERB_ABORT] = "-yyyyyyy-",
        [TAUT_VERB_NOTE] = "-yyyyyyy-",
    };
    for (int phase = 0; phase < TAUT_PHASES; phase++)
        for (int verb = 0; verb < TAUT_VERB_ACKNOWLEDGE; verb++) {
            static struct bench b;
            static struct taut_station before;
            init(&b, TAUT_VALVE_HAND);
            if (phase != TAUT_PHASE_IDLE) {
                assert_int_equal(start(&b), TAUT_OK);
                run_s(&b, 1);
                b.station.phase = (enum taut_phase)phase;
            }
            before = b.station;
            enum taut_status status = verb == TAUT_VERB_START ? start(&b) : command(&b, (enum taut_verb)verb, "because");
            bool allowed = expected[verb][phase] == 'y';
            if ((status == TAUT_OK) != allowed)
                fail_msg("%s in %s: %s", taut_verb_text((enum taut_verb)verb), taut_phase_text((enum taut_phase)phase),
                         taut_status_name(status));
            if (!allowed) {
                before.now_ns = b.station.now_ns;
                before.now_wall_ns = b.station.now_wall_ns;
                assert_memory_equal(&before, &b.station, sizeof before);
                assert_true(b.diag.text[0]);
                assert_int_equal(b.effects.count, 0);
            }
        }
}

/* Whatever is thrown at it: tight only after a pass, fill without a pass only with a reason, times do not go back. */
static void storm_of_events_never_makes_a_bag_tight_without_a_pass(void **state)
{
    (void)state;
    static struct bench b;
    init(&b, TAUT_VALVE_DRIVEN);
    uint32_t r = 7;
    for (int i = 0; i < 60000; i++) {
        r = r * 1664525u + 1013904223u;
        uint32_t pick = r >> 24;
        int64_t before_ns = b.station.now_ns;
        if (pick < 200) {
            b.rise_pa_per_s = (pick & 1) ? 0.05 : 2.0;
            b.p_pa = b.station.valve_open ? 300 : b.p_pa;
            sweep(&b, pick % 17 ? TAUT_QUALITY_GOOD : TAUT_QUALITY_BAD, pick % 17 ? TAUT_REASON_NONE : TAUT_REASON_STALE);
        } else if (pick < 205) {
            if (start(&b) == TAUT_OK)
                before_ns = 0;
            b.t_ns = b.station.now_ns;
        } else if (pick < 210) {
            struct taut_event e = {.kind = pick & 1 ? TAUT_EVENT_RESUME : TAUT_EVENT_VALVE, .ok = pick & 2, .gap_ns = 1};
            assert_int_equal(give(&b, &e), TAUT_OK);
        } else if (pick == 211) {
            run_s(&b, 400);
        } else {
            (void)!command(&b, (enum taut_verb)(1 + r % (TAUT_VERBS - 1)), (r & 64) ? "reason" : "");
        }
        const struct taut_test_record *last = taut_station_last_test(&b.station);
        if (b.station.tight)
            assert_true(last && last->result.verdict == TAUT_VERDICT_PASS);
        if (b.station.phase == TAUT_PHASE_FILL)
            assert_true(b.station.tight || b.station.override_reason[0]);
        assert_true(b.station.now_ns >= before_ns || b.station.now_ns == 0);
        assert_true(b.effects.count < TAUT_EFFECTS_MAX);
    }
}

static void words_read_back(void **state)
{
    (void)state;
    for (int i = 0; i < TAUT_PHASES; i++) {
        enum taut_phase back;
        assert_int_equal(taut_phase_parse(taut_phase_text((enum taut_phase)i), &back), TAUT_OK);
        assert_int_equal(back, i);
    }
    for (int i = 0; i < TAUT_VERBS; i++) {
        enum taut_verb back;
        assert_int_equal(taut_verb_parse(taut_verb_text((enum taut_verb)i), &back), TAUT_OK);
        assert_int_equal(back, i);
    }
    for (int i = 0; i < TAUT_ALARM_KINDS; i++) {
        enum taut_alarm_kind back;
        assert_int_equal(taut_alarm_kind_parse(taut_alarm_kind_text((enum taut_alarm_kind)i), &back), TAUT_OK);
        assert_int_equal(back, i);
        assert_true(taut_alarm_kind_advice((enum taut_alarm_kind)i)[0]);
    }
    enum taut_phase phase = TAUT_PHASE_CURE;
    assert_int_equal(taut_phase_parse("soak", &phase), TAUT_E_NOENT);
    assert_int_equal(phase, TAUT_PHASE_CURE);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(tight_bag_is_shut_off_by_itself_and_becomes_ready),
        cmocka_unit_test(leaking_bag_goes_back_to_drawdown_with_its_history),
        cmocka_unit_test(hand_valve_waits_for_the_operator),
        cmocka_unit_test(bag_still_open_to_the_pump_is_inconclusive),
        cmocka_unit_test(isolating_above_the_drawdown_pressure_needs_a_reason),
        cmocka_unit_test(isolating_without_a_good_reading_is_refused),
        cmocka_unit_test(filling_without_a_pass_needs_a_recorded_reason),
        cmocka_unit_test(interrupted_drop_test_is_inconclusive),
        cmocka_unit_test(ready_bag_that_nobody_watched_must_be_tested_again),
        cmocka_unit_test(valve_that_can_not_be_driven_ends_the_test_and_alarms),
        cmocka_unit_test(dead_sensor_alarms_with_its_reason_and_never_passes),
        cmocka_unit_test(silent_unit_alarms_as_communication),
        cmocka_unit_test(leak_in_fill_is_alarmed_and_named_after_the_test_passed),
        cmocka_unit_test(bag_that_does_not_come_down_is_told),
        cmocka_unit_test(every_command_in_every_phase_is_either_allowed_or_refused_whole),
        cmocka_unit_test(storm_of_events_never_makes_a_bag_tight_without_a_pass),
        cmocka_unit_test(words_read_back),
    };
    return cmocka_run_group_tests_name("station", tests, NULL, NULL);
}
