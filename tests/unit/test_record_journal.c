/* Journal lines and record.json: exact words, numbers that read back to the same bits, room that is always enough. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#include "taut/record.h"
#include "tt_part.h"

static const char *event_line(const struct taut_event *event, int64_t rows, enum taut_status status)
{
    static char storage[TAUT_JOURNAL_LINE_MAX];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    taut_journal_event(event, rows, status, &text);
    assert_false(text.full);
    return storage;
}

static struct taut_event at(enum taut_event_kind kind)
{
    return (struct taut_event){.kind = kind, .t_ns = INT64_C(61234000000), .wall_ns = TT_START_WALL_NS + INT64_C(61234000000)};
}

#define WHEN "\"elapsed_s\":61.234,\"time_utc\":\"2026-11-25T08:01:01.234Z\","

static void a_command_line_says_who_what_and_whether_it_was_taken(void **state)
{
    (void)state;
    struct taut_event event = at(TAUT_EVENT_COMMAND);
    event.command = (struct taut_command){.verb = TAUT_VERB_FILL, .who = "ann", .text = "no time, \"cold\" resin"};
    assert_string_equal(event_line(&event, 612, TAUT_OK),
                        "{\"row\":612," WHEN "\"kind\":\"command\",\"verb\":\"fill\",\"who\":\"ann\","
                        "\"text\":\"no time, \\\"cold\\\" resin\",\"status\":\"TAUT_OK\"}\n");
    event.command = (struct taut_command){.verb = TAUT_VERB_SHELVE, .who = "ann", .alarm = TAUT_ALARM_KIND_SUPPLY, .number = 600};
    assert_string_equal(event_line(&event, 0, TAUT_E_STATE),
                        "{\"row\":0," WHEN "\"kind\":\"command\",\"verb\":\"shelve\",\"who\":\"ann\","
                        "\"alarm\":\"supply\",\"number\":600,\"status\":\"TAUT_E_STATE\"}\n");
    event.command = (struct taut_command){.verb = TAUT_VERB_ACKNOWLEDGE, .who = "ann", .alarm = TAUT_ALARM_KINDS};
    assert_non_null(strstr(event_line(&event, 0, TAUT_OK), "\"alarm\":\"all\""));
}

static void a_refused_start_names_the_part_that_was_refused(void **state)
{
    (void)state;
    struct taut_event event = at(TAUT_EVENT_COMMAND);
    event.command = (struct taut_command){.verb = TAUT_VERB_START, .who = "ben"};
    event.run = tt_run("hatch-2", 3);
    assert_non_null(strstr(event_line(&event, 5, TAUT_E_STATE), "\"part\":\"hatch-2\",\"run\":3,\"recipe\":\"rudder\""));
}

static void other_events_say_what_came_from_outside(void **state)
{
    (void)state;
    struct taut_event valve = at(TAUT_EVENT_VALVE), step = at(TAUT_EVENT_CLOCK_STEP), resume = at(TAUT_EVENT_RESUME),
                      record = at(TAUT_EVENT_RECORD);
    valve.ok = true;
    step.step_ns = -INT64_C(3600000000000);
    resume.gap_ns = INT64_C(12345000000);
    assert_string_equal(event_line(&valve, 1, TAUT_OK),
                        "{\"row\":1," WHEN "\"kind\":\"valve\",\"ok\":true,\"status\":\"TAUT_OK\"}\n");
    assert_string_equal(event_line(&step, 1, TAUT_OK),
                        "{\"row\":1," WHEN "\"kind\":\"clock-step\",\"step_s\":-3600.000,\"status\":\"TAUT_OK\"}\n");
    assert_string_equal(event_line(&resume, 1, TAUT_OK),
                        "{\"row\":1," WHEN "\"kind\":\"resume\",\"gap_s\":12.345,\"status\":\"TAUT_OK\"}\n");
    assert_string_equal(event_line(&record, 1, TAUT_OK),
                        "{\"row\":1," WHEN "\"kind\":\"record\",\"ok\":false,\"status\":\"TAUT_OK\"}\n");
}

/* A limit such as 0.7 mbar/min is no round number in Pa/s; the file must show 0.7 and read back to the same bits. */
static void a_recipe_shows_what_the_person_wrote_and_keeps_the_bits(void **state)
{
    (void)state;
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    char storage[TAUT_JOURNAL_LINE_MAX], written[32];
    uint64_t seed = 1;
    for (int i = 0; i < 20000; i++) {
        snprintf(written, sizeof written, "%.*f", 1 + (int)(tt_random(&seed) % 5), (double)(1 + tt_random(&seed) % 100000) / 1e4);
        double mbar_per_min = strtod(written, NULL);
        run.recipe.limit_pa_per_s = mbar_per_min * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
        run.recipe.rise_limit_pa = mbar_per_min * TAUT_PA_PER_MBAR;
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        taut_journal_open(&setup, &run, "tautd 0.1.0", &text);
        const char *limit = strstr(storage, "\"limit_mbar_per_min\":"), *rise = strstr(storage, "\"rise_limit_mbar\":");
        assert_true(strtod(limit + 21, NULL) == mbar_per_min);
        assert_true(strtod(limit + 21, NULL) * TAUT_PA_PER_S_PER_MBAR_PER_MIN == run.recipe.limit_pa_per_s);
        assert_true(strtod(rise + 18, NULL) * TAUT_PA_PER_MBAR == run.recipe.rise_limit_pa);
    }
}

static void a_recipe_value_that_no_decimal_gives_back_is_written_in_si(void **state)
{
    (void)state;
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    char storage[TAUT_JOURNAL_LINE_MAX];
    uint64_t seed = 7;
    int in_si = 0;
    for (int i = 0; i < 20000; i++) {
        uint64_t bits = UINT64_C(0x3FF0000000000000) | (uint64_t)tt_random(&seed) << 21 | tt_random(&seed) >> 10;
        memcpy(&run.recipe.limit_pa_per_s, &bits, sizeof bits);
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        taut_journal_open(&setup, &run, "tautd 0.1.0", &text);
        const char *limit = strstr(storage, "\"limit_mbar_per_min\":") + 21;
        bool si = strncmp(limit, "{\"si\":", 6) == 0;
        double read_back = si ? strtod(limit + 6, NULL) : strtod(limit, NULL) * TAUT_PA_PER_S_PER_MBAR_PER_MIN;
        assert_true(read_back == run.recipe.limit_pa_per_s);
        in_si += si;
    }
    assert_true(in_si > 0);
}

static void what_is_not_set_is_null(void **state)
{
    (void)state;
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    char storage[TAUT_JOURNAL_LINE_MAX];
    struct taut_text text;
    setup.volume_m3 = (double)NAN;
    taut_text_init(&text, storage, sizeof storage);
    taut_journal_open(&setup, &run, "tautd 0.1.0", &text);
    assert_non_null(strstr(storage, "\"rise_limit_mbar\":null,\"rise_within_s\":null"));
    assert_non_null(strstr(storage, "\"volume_m3\":null"));
    assert_non_null(strstr(storage, "\"mode\":\"fixed\""));
    assert_non_null(strstr(storage, "\"name\":\"rudder\""));
}

static void a_line_that_does_not_fit_is_left_out_whole(void **state)
{
    (void)state;
    struct taut_event event = at(TAUT_EVENT_COMMAND);
    char storage[200] = "";
    struct taut_text text;
    memset(event.command.text, 'x', sizeof event.command.text - 1);
    taut_text_init(&text, storage, sizeof storage);
    taut_text_add(&text, "before\n");
    taut_journal_event(&event, 1, TAUT_OK, &text);
    assert_true(text.full);
    assert_string_equal(storage, "before\n");
}

/* Every string full of characters that JSON writes as six, every number as long as can be. */
static struct taut_station largest(void)
{
    struct taut_station s = {.setup = tt_setup(), .run = tt_run("x", 999999), .phase = TAUT_PHASE_DONE, .tests = 1000};
    const double longest = -1.2345678901234567e-300;
    size_t count;
    const struct taut_record_field *fields = taut_record_fields(&count);
    for (int role = 0; role < TAUT_ROLES; role++) {
        tt_channel(&s.setup, (enum taut_role)role, "");
        memset(s.setup.channel[role].name, 1, TAUT_NAME_MAX - 1);
        memset(s.setup.channel[role].serial, 1, TAUT_NAME_MAX - 1);
        memset(s.setup.channel[role].calibrated, 1, 15);
        s.setup.channel[role].u_pa = s.setup.channel[role].drift_pa_per_s = s.setup.channel[role].resolution_pa = longest;
    }
    memset(s.setup.name, 1, TAUT_NAME_MAX - 1);
    memset(s.run.part, 1, TAUT_PART_ID_MAX - 1);
    memset(s.run.who, 1, TAUT_WHO_MAX - 1);
    memset(s.override_reason, 1, TAUT_TEXT_MAX - 1);
    size_t keys;
    const struct taut_key *key = taut_recipe_keys(&keys);
    for (size_t i = 0; i < keys; i++)
        if (key[i].kind == TAUT_KEY_NUMBER)
            memcpy((char *)&s.run.recipe + key[i].offset, &longest, sizeof longest);
    memset(s.run.recipe.name, 1, TAUT_NAME_MAX - 1);
    for (int i = 0; i < TAUT_TESTS_MAX; i++) {
        for (size_t f = 0; f < count; f++)
            memcpy((char *)&s.test[i].result + fields[f].offset, &longest, sizeof longest);
        s.test[i].ended_ns = s.test[i].result.from_ns = s.test[i].result.to_ns = INT64_MIN + 1 + i;
        s.test[i].result.n_used = s.test[i].result.n_not_good = UINT32_MAX;
        s.test[i].result.leak_pa_m3_per_s = 1e60;
        s.test[i].result.why = TAUT_WHY_BAD_READINGS;
    }
    for (int kind = 0; kind < TAUT_ALARM_KINDS; kind++) {
        s.alarm[kind].times = UINT32_MAX;
        memset(s.alarm[kind].evidence, 1, TAUT_TEXT_MAX - 1);
    }
    for (int phase = 0; phase < TAUT_PHASES; phase++)
        s.figures[phase] = (struct taut_phase_figures){1e15, 1e15, 1e15, UINT32_MAX, UINT32_MAX};
    return s;
}

static void the_stated_room_is_enough_for_the_largest(void **state)
{
    (void)state;
    static struct taut_station s;
    s = largest();
    char *storage = malloc(TAUT_RECORD_MAX);
    struct taut_text text;
    taut_text_init(&text, storage, TAUT_RECORD_MAX);
    taut_record_print(&s, "tautd 0.1.0", NULL, &text);
    assert_false(text.full);
    taut_text_init(&text, storage, TAUT_JOURNAL_LINE_MAX);
    taut_journal_open(&s.setup, &s.run, "tautd 0.1.0", &text);
    assert_false(text.full);
    taut_text_init(&text, storage, TAUT_JOURNAL_LINE_MAX);
    taut_journal_effect(&s, &(struct taut_effect){.kind = TAUT_EFFECT_VERDICT, .test = 3}, INT64_MAX, &text);
    assert_false(text.full);
    struct taut_event event = at(TAUT_EVENT_COMMAND);
    event.command.verb = TAUT_VERB_START;
    event.run = s.run;
    memset(event.command.text, 1, TAUT_TEXT_MAX - 1);
    memset(event.command.who, 1, TAUT_WHO_MAX - 1);
    taut_text_init(&text, storage, TAUT_JOURNAL_LINE_MAX);
    taut_journal_event(&event, INT64_MAX, TAUT_E_STATE, &text);
    assert_false(text.full);
    taut_text_init(&text, storage, TAUT_METADATA_MAX);
    taut_trace_metadata(&s.setup, &s.run, &text);
    assert_false(text.full);
    taut_text_init(&text, storage, TAUT_TRACE_ROW_MAX);
    memset(s.setup.channel[0].name, '"', TAUT_NAME_MAX - 1);
    taut_trace_header(&s.setup, &text);
    assert_false(text.full);
    free(storage);
}

static void a_record_says_what_the_customer_needs(void **state)
{
    (void)state;
    static struct taut_station s;
    s = (struct taut_station){.setup = tt_setup(), .run = tt_run("rudder-17", 2), .phase = TAUT_PHASE_DONE, .tests = 1};
    s.now_wall_ns = TT_START_WALL_NS + INT64_C(7200000000000);
    s.now_ns = INT64_C(7200000000000);
    s.test[0].result = (struct taut_droptest_result){.verdict = TAUT_VERDICT_PASS,
                                                     .why = TAUT_WHY_BOUND_BELOW_LIMIT,
                                                     .rate_pa_per_s = 0.2 * TAUT_PA_PER_S_PER_MBAR_PER_MIN,
                                                     .leak_pa_m3_per_s = 8e-4};
    s.figures[TAUT_PHASE_DRAWDOWN] = (struct taut_phase_figures){612.5, 812.3, 101325, 6120, 2};
    char *storage = malloc(TAUT_RECORD_MAX);
    struct taut_text text;
    taut_text_init(&text, storage, TAUT_RECORD_MAX);
    taut_record_print(&s, "tautd 0.1.0", NULL, &text);
    static const char *const expected[] = {
        "\"part\": \"rudder-17\"",
        "\"run\": 2",
        "\"station\": \"A\"",
        "\"started_utc\": \"2026-11-25T08:00:00.000Z\"",
        "\"ended_utc\": \"2026-11-25T10:00:00.000Z\"",
        "\"result\": \"finished\"",
        "\"verdict\": \"pass\"",
        "\"limit_mbar_per_min\": 0.5",
        "\"serial\": \"SB-001\"",
        "\"calibrated\": \"2026-03-01\"",
        "\"rate_mbar_per_min\": 0.2000",
        "\"leak_mbar_l_per_s\": 0.008000",
        "\"leak_pa_m3_per_s\": 0.0008",
        "\"lowest_mbar\": 8.123",
        "\"seconds\": 612.500",
        "\"rule\": \"pass when the upper bound of the leak rate is below 0.5 mbar/min; fail",
        "\"software\": \"tautd 0.1.0\"",
        "\"filled_without_passed_test\": null",
        "\"volume_l\": 2.400",
    };
    for (size_t i = 0; i < sizeof expected / sizeof expected[0]; i++)
        if (!strstr(storage, expected[i]))
            fail_msg("no %s in %s", expected[i], storage);
    s.aborted = true;
    snprintf(s.override_reason, sizeof s.override_reason, "resin was mixed");
    taut_text_init(&text, storage, TAUT_RECORD_MAX);
    taut_record_print(&s, "tautd 0.1.0", "a rule of our own", &text);
    assert_non_null(strstr(storage, "\"result\": \"aborted\""));
    assert_non_null(strstr(storage, "\"filled_without_passed_test\": \"resin was mixed\""));
    assert_non_null(strstr(storage, "\"rule\": \"a rule of our own\""));
    free(storage);
}

static void tests_are_found_by_number_also_when_the_oldest_were_overwritten(void **state)
{
    (void)state;
    static struct taut_station s;
    s.tests = TAUT_TESTS_MAX + 5;
    for (int number = 1; number <= s.tests; number++) /* as the station does: slot = number - 1 modulo the room */
        s.test[(number - 1) % TAUT_TESTS_MAX].ended_ns = number * 1000;
    assert_null(taut_record_test(&s, 5));
    assert_null(taut_record_test(&s, s.tests + 1));
    for (int number = 6; number <= s.tests; number++)
        assert_true(taut_record_test(&s, number)->ended_ns == number * 1000);
    s.tests = 0;
    assert_null(taut_record_test(&s, 1));
    assert_null(taut_record_test(&s, 0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_command_line_says_who_what_and_whether_it_was_taken),
        cmocka_unit_test(a_refused_start_names_the_part_that_was_refused),
        cmocka_unit_test(other_events_say_what_came_from_outside),
        cmocka_unit_test(a_recipe_shows_what_the_person_wrote_and_keeps_the_bits),
        cmocka_unit_test(a_recipe_value_that_no_decimal_gives_back_is_written_in_si),
        cmocka_unit_test(what_is_not_set_is_null),
        cmocka_unit_test(a_line_that_does_not_fit_is_left_out_whole),
        cmocka_unit_test(the_stated_room_is_enough_for_the_largest),
        cmocka_unit_test(a_record_says_what_the_customer_needs),
        cmocka_unit_test(tests_are_found_by_number_also_when_the_oldest_were_overwritten),
    };
    return cmocka_run_group_tests_name("record_journal", tests, NULL, NULL);
}
