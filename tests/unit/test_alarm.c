/* Alarm life cycle against the transition tables of ISA-18.2 / IEC 62682 as collected from a public manual and
 * OPC 10000-9 (alarm_transitions.csv, alarm_states.csv; alarm_no_change.csv is the collection's own reading), and lamp
 * meanings of IEC 60073 / IEC 60204-1 (indicator_colours.csv). Delays and deadbands: common practice, no source. */
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "taut/alarm.h"

enum { FIELDS = 6, FIELD = 200 };

static const int64_t second = INT64_C(1000000000);

/* One line of a table into fields; double quotes may enclose commas. Returns the number of fields, 0 at the end. */
static int read_row(FILE *file, char field[FIELDS][FIELD])
{
    char line[1024];
    if (fgets(line, sizeof line, file) == NULL)
        return 0;
    line[strcspn(line, "\r\n")] = '\0';
    int n = 0, length = 0;
    bool quoted = false;
    for (const char *p = line;; p++) {
        if (*p == '"') {
            quoted = !quoted;
        } else if (*p == '\0' || (*p == ',' && !quoted)) {
            assert_true(n < FIELDS);
            field[n++][length] = '\0';
            length = 0;
            if (*p == '\0')
                return n;
        } else {
            assert_true(length < FIELD - 1);
            field[n][length++] = *p;
        }
    }
}

static FILE *open_table(const char *name)
{
    char path[1024], header[1024];
    snprintf(path, sizeof path, "%s/%s", TAUT_REFERENCE, name);
    FILE *file = fopen(path, "r");
    assert_non_null(file);
    assert_non_null(fgets(header, sizeof header, file));
    return file;
}

static enum taut_alarm_state state_of(const char *code)
{
    static const char *const codes[] = {"NORM", "UNACK", "ACKED", "RTNUN", "LUNACK", "LACKED", "SHLVD", "DSUPR", "OOSRV"};
    for (int i = 0; i < TAUT_ALARM_STATES; i++)
        if (strcmp(codes[i], code) == 0)
            return (enum taut_alarm_state)i;
    fail_msg("unknown state %s", code);
    return TAUT_ALARM_NORM;
}

static enum taut_alarm_event event_of(const char *word)
{
    static const struct {
        const char *word;
        enum taut_alarm_event event;
    } words[] = {
        {"acknowledge",         TAUT_ALARM_ACKNOWLEDGE      },
        {"reset",               TAUT_ALARM_RESET            },
        {"shelve",              TAUT_ALARM_SHELVE           },
        {"unshelve_or_timeout", TAUT_ALARM_UNSHELVE         },
        {"suppress_by_design",  TAUT_ALARM_SUPPRESS         },
        {"unsuppress",          TAUT_ALARM_UNSUPPRESS       },
        {"out_of_service",      TAUT_ALARM_OUT_OF_SERVICE   },
        {"return_to_service",   TAUT_ALARM_RETURN_TO_SERVICE},
        {"re_alarm",            TAUT_ALARM_RE_ALARM         }
    };
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcmp(words[i].word, word) == 0)
            return words[i].event;
    fail_msg("unknown event %s", word);
    return TAUT_ALARM_RESET;
}

/* An alarm put into a state, with the condition that goes with it. */
static struct taut_alarm alarm_in(enum taut_alarm_state state, bool condition)
{
    struct taut_alarm alarm;
    taut_alarm_init(&alarm);
    alarm.state = state;
    alarm.condition = alarm.raw = condition;
    alarm.shelved_until_ns = 1000 * second;
    return alarm;
}

static bool condition_of(enum taut_alarm_state state)
{
    return state == TAUT_ALARM_UNACK || state == TAUT_ALARM_ACKED;
}

static void play(const char *from, const char *event, const char *guard, const char *to)
{
    enum taut_alarm_state start = state_of(from);
    bool aside = start == TAUT_ALARM_SHLVD || start == TAUT_ALARM_DSUPR || start == TAUT_ALARM_OOSRV;
    struct taut_alarm_design design = {.latching = strcmp(guard, "latching") == 0};
    struct taut_alarm alarm = alarm_in(start, aside ? strcmp(guard, "condition true now") == 0 : condition_of(start));
    bool changed = false;
    if (strcmp(event, "condition_true") == 0)
        changed = taut_alarm_input(&alarm, &design, true, second);
    else if (strcmp(event, "condition_false") == 0)
        changed = taut_alarm_input(&alarm, &design, false, second);
    else
        (void)!taut_alarm_act(&alarm, &design, event_of(event), second, 60 * second, &changed);
    if (alarm.state != state_of(to))
        fail_msg("%s %s [%s]: %s, expected %s", from, event, guard, taut_alarm_state_text(alarm.state), to);
    assert_int_equal(changed, strcmp(from, to) != 0);
    assert_int_equal(alarm.since_ns, changed ? second : 0);
}

static void every_transition_of_the_standard_is_made(void **state)
{
    (void)state;
    FILE *file = open_table("alarm_transitions.csv");
    char row[FIELDS][FIELD];
    int rows = 0;
    for (int n; (n = read_row(file, row)) != 0; rows++) {
        assert_int_equal(n, 4);
        play(row[0], row[1], row[2], row[3]);
    }
    fclose(file);
    assert_int_equal(rows, 37);
}

static void what_the_table_calls_no_change_changes_nothing(void **state)
{
    (void)state;
    FILE *file = open_table("alarm_no_change.csv");
    char row[FIELDS][FIELD];
    int rows = 0;
    for (int n; (n = read_row(file, row)) != 0; rows++) {
        assert_int_equal(n, 4);
        play(row[0], row[1], "", row[2]);
    }
    fclose(file);
    assert_int_equal(rows, 6);
}

/* Is there a row for this pair?  (Guards are ignored: a pair with any row is not tested as "no row".) */
static bool listed(enum taut_alarm_state from, const char *event)
{
    FILE *file = open_table("alarm_transitions.csv");
    char row[FIELDS][FIELD];
    bool found = false;
    while (read_row(file, row) != 0)
        found |= state_of(row[0]) == from && strcmp(row[1], event) == 0;
    fclose(file);
    return found;
}

static void pairs_that_are_not_in_the_table_never_move_the_state(void **state)
{
    (void)state;
    static const char *const events[] = {"condition_true",
                                         "condition_false",
                                         "acknowledge",
                                         "reset",
                                         "shelve",
                                         "unshelve_or_timeout",
                                         "suppress_by_design",
                                         "unsuppress",
                                         "out_of_service",
                                         "return_to_service",
                                         "re_alarm"};
    static const char *const codes[] = {"NORM", "UNACK", "ACKED", "RTNUN", "LUNACK", "LACKED", "SHLVD", "DSUPR", "OOSRV"};
    int unlisted = 0;
    for (int s = 0; s < TAUT_ALARM_STATES; s++) {
        for (size_t e = 0; e < sizeof events / sizeof events[0]; e++) {
            if (listed((enum taut_alarm_state)s, events[e]))
                continue;
            unlisted++;
            play(codes[s], events[e], "", codes[s]);
            play(codes[s], events[e], "latching", codes[s]);
        }
    }
    assert_int_equal(unlisted, 9 * 11 - (37 - 5)); /* five pairs have two rows, one per guard */
}

static void shelving_ends_by_itself_with_the_condition_of_that_moment(void **state)
{
    (void)state;
    static const struct taut_alarm_design design = {.priority = TAUT_PRIORITY_HIGH};
    for (int now_true = 0; now_true < 2; now_true++) {
        struct taut_alarm alarm;
        bool changed;
        taut_alarm_init(&alarm);
        taut_alarm_input(&alarm, &design, true, 0);
        assert_int_equal(taut_alarm_act(&alarm, &design, TAUT_ALARM_SHELVE, second, 11 * second, &changed), TAUT_OK);
        assert_true(changed);
        assert_false(taut_alarm_calls(&alarm));
        assert_false(taut_alarm_input(&alarm, &design, now_true != 0, 11 * second - 1));
        assert_true(taut_alarm_input(&alarm, &design, now_true != 0, 11 * second));
        assert_int_equal(alarm.state, now_true ? TAUT_ALARM_UNACK : TAUT_ALARM_NORM);
    }
}

static void a_shelf_that_ended_before_an_action_is_seen_by_it(void **state)
{
    (void)state;
    static const struct taut_alarm_design design = {.priority = TAUT_PRIORITY_HIGH};
    struct taut_alarm alarm = alarm_in(TAUT_ALARM_SHLVD, true);
    alarm.shelved_until_ns = 5 * second;
    bool changed = false;
    assert_int_equal(taut_alarm_act(&alarm, &design, TAUT_ALARM_ACKNOWLEDGE, 6 * second, 0, &changed), TAUT_OK);
    assert_true(changed);
    assert_int_equal(alarm.state, TAUT_ALARM_ACKED);
}

static void refused_actions_say_why_and_change_nothing(void **state)
{
    (void)state;
    static const struct taut_alarm_design design = {.priority = TAUT_PRIORITY_HIGH};
    struct taut_alarm alarm = alarm_in(TAUT_ALARM_UNACK, true), before = alarm;
    bool changed = true;
    assert_int_equal(taut_alarm_act(&alarm, &design, TAUT_ALARM_SHELVE, 5 * second, 5 * second, &changed), TAUT_E_ARG);
    assert_false(changed);
    assert_int_equal(taut_alarm_act(&alarm, &design, TAUT_ALARM_EVENTS, 5 * second, 0, NULL), TAUT_E_ARG);
    assert_int_equal(taut_alarm_act(&alarm, &design, TAUT_ALARM_RESET, 5 * second, 0, &changed), TAUT_E_STATE);
    assert_memory_equal(&alarm, &before, sizeof alarm);
    alarm = alarm_in(TAUT_ALARM_NORM, false);
    assert_int_equal(taut_alarm_act(&alarm, &design, TAUT_ALARM_ACKNOWLEDGE, second, 0, &changed), TAUT_E_STATE);
    alarm = alarm_in(TAUT_ALARM_ACKED, true);
    assert_int_equal(taut_alarm_act(&alarm, &design, TAUT_ALARM_ACKNOWLEDGE, second, 0, &changed), TAUT_OK);
    assert_false(changed);
}

static void the_condition_must_last_the_on_delay_before_the_alarm_comes(void **state)
{
    (void)state;
    static const struct taut_alarm_design design = {.on_delay_s = 2.0, .off_delay_s = 5.0};
    struct taut_alarm alarm;
    taut_alarm_init(&alarm);
    assert_false(taut_alarm_input(&alarm, &design, true, 10 * second));
    assert_false(taut_alarm_input(&alarm, &design, false, 11 * second)); /* too short */
    assert_false(taut_alarm_input(&alarm, &design, true, 12 * second));
    assert_false(taut_alarm_input(&alarm, &design, true, 14 * second - 1));
    assert_true(taut_alarm_input(&alarm, &design, true, 14 * second));
    assert_int_equal(alarm.raised_ns, 14 * second);
    assert_false(taut_alarm_input(&alarm, &design, false, 15 * second));
    assert_false(taut_alarm_input(&alarm, &design, true, 19 * second)); /* came back within the off-delay */
    assert_false(taut_alarm_input(&alarm, &design, false, 20 * second));
    assert_int_equal(alarm.state, TAUT_ALARM_UNACK);
    assert_true(taut_alarm_input(&alarm, &design, false, 25 * second));
    assert_int_equal(alarm.state, TAUT_ALARM_RTNUN);
}

static void a_deadband_keeps_a_value_at_the_limit_from_chattering(void **state)
{
    (void)state;
    assert_false(taut_alarm_above(false, 9.9, 10.0, 0.5));
    assert_true(taut_alarm_above(false, 10.0, 10.0, 0.5));
    assert_true(taut_alarm_above(true, 9.5, 10.0, 0.5));
    assert_false(taut_alarm_above(true, 9.4, 10.0, 0.5));
    assert_false(taut_alarm_above(false, (double)NAN, 10.0, 0.5));
    assert_true(taut_alarm_above(true, (double)NAN, 10.0, 0.5));
}

static void only_states_that_wait_for_a_person_call(void **state)
{
    (void)state;
    for (int s = 0; s < TAUT_ALARM_STATES; s++) {
        struct taut_alarm alarm = alarm_in((enum taut_alarm_state)s, true);
        bool calls = s == TAUT_ALARM_UNACK || s == TAUT_ALARM_RTNUN || s == TAUT_ALARM_LUNACK;
        assert_int_equal(taut_alarm_calls(&alarm), calls);
        struct taut_lamp lamp = taut_alarm_lamp((enum taut_alarm_state)s, TAUT_PRIORITY_URGENT);
        assert_int_equal(lamp.flashing, calls);
    }
}

/* The colour's meaning for the state of the equipment, and what the operator is to do, as the table words them. */
static void lamp_colours_have_the_meanings_of_the_standard(void **state)
{
    (void)state;
    static const struct {
        enum taut_alarm_state state;
        enum taut_alarm_priority priority;
        const char *use_begins; /* column iec_60204_1_indicator_use */
    } cases[] = {
        {TAUT_ALARM_UNACK,  TAUT_PRIORITY_URGENT, "emergency"},
        {TAUT_ALARM_ACKED,  TAUT_PRIORITY_URGENT, "emergency"},
        {TAUT_ALARM_UNACK,  TAUT_PRIORITY_HIGH,   "abnormal" },
        {TAUT_ALARM_UNACK,  TAUT_PRIORITY_LOW,    "abnormal" },
        {TAUT_ALARM_NORM,   TAUT_PRIORITY_URGENT, "normal"   },
        {TAUT_ALARM_RTNUN,  TAUT_PRIORITY_URGENT, "mandatory"},
        {TAUT_ALARM_LACKED, TAUT_PRIORITY_LOW,    "mandatory"},
        {TAUT_ALARM_SHLVD,  TAUT_PRIORITY_URGENT, "neutral"  },
        {TAUT_ALARM_DSUPR,  TAUT_PRIORITY_HIGH,   "neutral"  },
        {TAUT_ALARM_OOSRV,  TAUT_PRIORITY_HIGH,   "neutral"  },
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct taut_lamp lamp = taut_alarm_lamp(cases[i].state, cases[i].priority);
        FILE *file = open_table("indicator_colours.csv");
        char row[FIELDS][FIELD];
        bool found = false;
        while (read_row(file, row) != 0) {
            if (strncmp(row[0], lamp.colour_text, strlen(lamp.colour_text)) != 0)
                continue;
            found = true;
            assert_memory_equal(row[4], cases[i].use_begins, strlen(cases[i].use_begins));
        }
        fclose(file);
        assert_true(found);
    }
}

static void no_two_lamp_colours_share_a_shape_or_a_word(void **state)
{
    (void)state;
    struct taut_lamp lamps[TAUT_ALARM_STATES * 4];
    int n = 0;
    for (int s = 0; s < TAUT_ALARM_STATES; s++)
        for (int p = 0; p < 4; p++)
            lamps[n++] = taut_alarm_lamp((enum taut_alarm_state)s, (enum taut_alarm_priority)p);
    for (int i = 0; i < n; i++) {
        for (int k = 0; k < n; k++) {
            bool same = lamps[i].colour == lamps[k].colour;
            assert_int_equal(strcmp(lamps[i].shape_text, lamps[k].shape_text) == 0, same);
            assert_int_equal(strcmp(lamps[i].meaning, lamps[k].meaning) == 0, same);
            if (lamps[i].colour > lamps[k].colour)
                assert_true(taut_lamp_rank(&lamps[i]) > taut_lamp_rank(&lamps[k]));
        }
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_transition_of_the_standard_is_made),
        cmocka_unit_test(what_the_table_calls_no_change_changes_nothing),
        cmocka_unit_test(pairs_that_are_not_in_the_table_never_move_the_state),
        cmocka_unit_test(shelving_ends_by_itself_with_the_condition_of_that_moment),
        cmocka_unit_test(a_shelf_that_ended_before_an_action_is_seen_by_it),
        cmocka_unit_test(refused_actions_say_why_and_change_nothing),
        cmocka_unit_test(the_condition_must_last_the_on_delay_before_the_alarm_comes),
        cmocka_unit_test(a_deadband_keeps_a_value_at_the_limit_from_chattering),
        cmocka_unit_test(only_states_that_wait_for_a_person_call),
        cmocka_unit_test(lamp_colours_have_the_meanings_of_the_standard),
        cmocka_unit_test(no_two_lamp_colours_share_a_shape_or_a_word),
    };
    return cmocka_run_group_tests_name("alarm", tests, NULL, NULL);
}
