/* A folder read back: the same state, the same numbers to the bit; damage is named, never passed over. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "sink/journal_read.h"
#include "sink/replay.h"
#include "tt_folder.h"
#include "tt_station.h"

struct bench {
    char state[64];
    struct tautd_sink *sink;
    struct tt_station made;
    struct taut_station again;
    struct tautd_replay_report report;
    struct taut_diag diag;
};

static int set_up(void **state)
{
    struct bench *bench = calloc(1, sizeof *bench);
    tt_folder_make(bench->state);
    bench->sink = tautd_sink_new(bench->state, 0.2, NULL);
    assert_non_null(bench->sink);
    *state = bench;
    return 0;
}

static int tear_down(void **state)
{
    struct bench *bench = *state;
    tautd_sink_free(bench->sink, 5);
    tt_folder_remove(bench->state);
    free(bench);
    return 0;
}

/* The sink is ended, so that everything is in the files; sealed or not. */
static void finish(struct bench *bench)
{
    tautd_sink_free(bench->sink, 10);
    bench->sink = NULL;
}

static enum taut_status replay(struct bench *bench)
{
    return tautd_replay(bench->made.path, &bench->again, &bench->report, &bench->diag);
}

static int differences(struct bench *bench, struct tautd_difference *first)
{
    int found = -1, compared = 0;
    struct tautd_difference difference = {0};
    assert_int_equal(tautd_replay_compare(bench->made.path, &bench->again, &difference, 1, &found, &compared, &bench->diag),
                     TAUT_OK);
    assert_true(found > 0 || compared == bench->again.tests);
    if (first)
        *first = difference;
    return found;
}

static void assert_same_state(const struct taut_station *a, const struct taut_station *b)
{
    size_t count;
    const struct taut_record_field *fields = taut_record_fields(&count);
    assert_int_equal(a->phase, b->phase);
    assert_true(a->now_ns == b->now_ns);
    assert_true(a->phase_ns == b->phase_ns);
    assert_int_equal(a->tests, b->tests);
    assert_int_equal(a->tight, b->tight);
    assert_int_equal(a->aborted, b->aborted);
    assert_string_equal(a->override_reason, b->override_reason);
    for (int number = 1; number <= a->tests; number++) {
        const struct taut_droptest_result *x = &taut_record_test(a, number)->result, *y = &taut_record_test(b, number)->result;
        assert_int_equal(x->verdict, y->verdict);
        assert_int_equal(x->why, y->why);
        for (size_t i = 0; i < count; i++)
            assert_memory_equal((const char *)x + fields[i].offset, (const char *)y + fields[i].offset, sizeof(double));
    }
    for (int role = 0; role < TAUT_ROLES; role++)
        assert_true(tt_same_sample(&a->latest[role], &b->latest[role]));
    for (int phase = 0; phase < TAUT_PHASES; phase++) {
        const struct taut_phase_figures *x = &a->figures[phase], *y = &b->figures[phase];
        assert_memory_equal(&x->seconds, &y->seconds, 3 * sizeof(double)); /* and the lowest and highest after it */
        assert_int_equal(x->n_good, y->n_good);
        assert_int_equal(x->n_not_good, y->n_not_good);
    }
    for (int kind = 0; kind < TAUT_ALARM_KINDS; kind++) {
        assert_int_equal(a->alarm[kind].alarm.state, b->alarm[kind].alarm.state);
        assert_int_equal(a->alarm[kind].times, b->alarm[kind].times);
        assert_string_equal(a->alarm[kind].evidence, b->alarm[kind].evidence);
    }
    size_t keys;
    const struct taut_key *key = taut_recipe_keys(&keys);
    for (size_t i = 0; i < keys; i++)
        assert_memory_equal((const char *)&a->run.recipe + key[i].offset, (const char *)&b->run.recipe + key[i].offset,
                            key[i].size);
}

static void check_part(struct bench *bench, const char *part, int64_t rate, bool odd, bool leave_open, enum taut_verdict verdict)
{
    assert_true(tt_station_start(&bench->made, bench->sink, part, 1));
    tt_station_make_part(&bench->made, rate, odd, leave_open);
    finish(bench);
    assert_int_equal(replay(bench), TAUT_OK);
    assert_same_state(&bench->made.station, &bench->again);
    assert_int_equal(bench->report.rows, bench->made.rows);
    assert_int_equal(bench->report.torn_bytes, 0);
    assert_int_equal(bench->report.disagreements, 0);
    assert_int_equal(taut_station_last_test(&bench->again)->result.verdict, verdict);
    assert_int_equal(differences(bench, NULL), 0);
}

static void a_tight_part_replays_to_its_pass(void **state)
{
    check_part(*state, "rudder-17", 120, false, false, TAUT_VERDICT_PASS);
}

static void a_leaking_part_replays_to_its_fail(void **state)
{
    check_part(*state, "rudder-18", 1500, false, false, TAUT_VERDICT_FAIL);
}

static void an_open_part_is_compared_with_its_journal(void **state)
{
    check_part(*state, "rudder-19", 120, false, true, TAUT_VERDICT_PASS);
}

static void bad_readings_refused_commands_and_a_clock_set_back_replay_as_they_were(void **state)
{
    check_part(*state, "hatch \"left\", 2\xC3\xA9", 120, true, false, TAUT_VERDICT_PASS);
}

/* Numbers that are round in no unit: to the bit all the same. */
static void a_recipe_and_a_station_of_odd_numbers_come_back_to_the_bit(void **state)
{
    struct bench *bench = *state;
    struct taut_run run = tt_run("odd", 1);
    size_t count;
    const struct taut_key *keys = taut_recipe_keys(&count);
    uint64_t seed = 3;
    for (size_t i = 0; i < count; i++)
        if (keys[i].kind == TAUT_KEY_NUMBER) {
            double *value = (double *)(void *)((char *)&run.recipe + keys[i].offset);
            if (isfinite(*value))
                *value *= 1.0 + (double)tt_random(&seed) / 4e9 / 100;
        }
    assert_true(tt_station_start_as(&bench->made, bench->sink, &run));
    finish(bench);
    assert_int_equal(replay(bench), TAUT_OK);
    assert_same_state(&bench->made.station, &bench->again);
    assert_string_equal(bench->again.run.part, "odd");
    assert_string_equal(bench->again.run.who, run.who);
    for (int role = 0; role < TAUT_ROLES; role++) {
        const struct taut_station_channel *x = &bench->made.station.setup.channel[role], *y = &bench->again.setup.channel[role];
        assert_int_equal(x->wired, y->wired);
        assert_string_equal(x->name, y->name);
        assert_string_equal(x->serial, y->serial);
        assert_memory_equal(&x->u_pa, &y->u_pa, 3 * sizeof(double)); /* and resolution and drift */
    }
}

static void edit(const char *folder, const char *name, const char *find, const char *put)
{
    size_t size = 0;
    char *text = tt_file(folder, name, &size), *at = strstr(text, find), path[4400];
    assert_non_null(at);
    snprintf(path, sizeof path, "%.4096s/%.200s", folder, name);
    chmod(path, 0640);
    FILE *file = fopen(path, "wb");
    fwrite(text, 1, (size_t)(at - text), file);
    fputs(put, file);
    fwrite(at + strlen(find), 1, size - (size_t)(at - text) - strlen(find), file);
    fclose(file);
    free(text);
}

static void one_changed_reading_is_noticed(void **state)
{
    struct bench *bench = *state;
    check_part(bench, "rudder-17", 120, false, false, TAUT_VERDICT_PASS);
    char *trace = tt_file(bench->made.path, "trace.csv", NULL), row[200], changed[200];
    char *value = strstr(trace, "drop-test,") + 10;
    snprintf(row, sizeof row, "%.20s", value - 10);
    memcpy(changed, row, sizeof row);
    changed[14] = changed[14] == '1' ? '2' : '1'; /* the last digit of the vent */
    edit(bench->made.path, "trace.csv", row, changed);
    assert_int_equal(replay(bench), TAUT_OK);
    struct tautd_difference first;
    assert_true(differences(bench, &first) > 0);
    assert_int_equal(first.test, 1);
    assert_string_not_equal(first.recorded, first.computed);
    free(trace);
}

static void one_changed_number_in_the_record_is_named(void **state)
{
    struct bench *bench = *state;
    check_part(bench, "rudder-17", 1500, false, false, TAUT_VERDICT_FAIL);
    edit(bench->made.path, "record.json", "\"u_rate_pa_per_s\": 0.0", "\"u_rate_pa_per_s\": 0.1");
    struct tautd_difference first;
    assert_int_equal(differences(bench, &first), 1);
    assert_string_equal(first.name, "u_rate_pa_per_s");
    edit(bench->made.path, "record.json", "\"verdict\": \"fail\",\n      \"why\"", "\"verdict\": \"pass\",\n      \"why\"");
    assert_int_equal(differences(bench, &first), 2);
    assert_string_equal(first.name, "verdict");
    assert_string_equal(first.recorded, "pass");
    assert_string_equal(first.computed, "fail");
}

static void a_command_said_to_be_taken_but_refused_is_a_disagreement(void **state)
{
    struct bench *bench = *state;
    check_part(bench, "rudder-17", 120, false, false, TAUT_VERDICT_PASS);
    edit(bench->made.path, "journal.jsonl", "\"status\":\"TAUT_E_STATE\"", "\"status\":\"TAUT_OK\"");
    assert_int_equal(replay(bench), TAUT_OK);
    assert_int_equal(bench->report.disagreements, 1);
}

static void damaged_lines_are_named_by_file_and_line(void **state)
{
    struct bench *bench = *state;
    check_part(bench, "rudder-17", 120, false, false, TAUT_VERDICT_PASS);
    static const struct {
        const char *name, *find, *put;
        int line;
    } cases[] = {
        {"trace.csv",     "\r\n2026-11-25T08:00:01.000Z,1.000,", "\r\n2026-11-25T08:00:01.000Z,1.00O,", 11},
        {"trace.csv",     "1.00O,",                              "0.500,",                              11},
        {"trace.csv",     "01.000Z,0.500,",                      "01.000Z,1.000,",                      0 },
        {"trace.csv",     "A.vent_quality",                      "A.vent_qualify",                      1 },
        {"trace.csv",     "A.vent_qualify",                      "A.vent_quality",                      0 },
        {"journal.jsonl", "\"verb\":\"isolate\"",                "\"verb\":\"insulate\"",               5 },
        {"journal.jsonl", "\"verb\":\"insulate\"",               "\"verb\":\"isolate\",",               5 },
        {"journal.jsonl", "\"verb\":\"isolate\",",               "\"verb\":\"isolate\"",                0 },
        {"journal.jsonl", "\"format\":\"taut-journal 1\"",       "\"format\":\"taut-journal 9\"",       1 },
        {"journal.jsonl", "\"format\":\"taut-journal 9\"",       "\"format\":\"taut-journal 1\"",       0 },
        {"journal.jsonl", "\"test_s\":300",                      "\"test_s\":\"long\"",                 1 },
        {"journal.jsonl", "\"test_s\":\"long\"",                 "\"test_s\":-5",                       1 },
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        edit(bench->made.path, cases[i].name, cases[i].find, cases[i].put);
        enum taut_status status = replay(bench);
        if (status != (cases[i].line ? TAUT_E_FORMAT : TAUT_OK))
            fail_msg("case %zu: %s line %d", i, bench->diag.text, bench->diag.line);
        if (!cases[i].line)
            continue;
        assert_int_equal(bench->diag.line, cases[i].line);
        assert_non_null(strstr(bench->diag.file, cases[i].name));
    }
}

static void a_missing_file_or_folder_can_not_be_read(void **state)
{
    struct bench *bench = *state;
    check_part(bench, "rudder-17", 120, false, true, TAUT_VERDICT_PASS);
    char path[4400];
    snprintf(path, sizeof path, "%.4096s/trace.csv", bench->made.path);
    assert_int_equal(remove(path), 0);
    assert_int_equal(replay(bench), TAUT_E_NOENT);
    assert_non_null(strstr(bench->diag.file, "trace.csv"));
    assert_int_equal(tautd_replay("/nonexistent", &bench->again, &bench->report, &bench->diag), TAUT_E_NOENT);
    assert_int_equal(symlink("/etc/passwd", path), 0);
    assert_int_equal(replay(bench), TAUT_E_IO);
}

static void append(const char *folder, const char *name, const char *bytes, size_t n)
{
    char path[4400];
    snprintf(path, sizeof path, "%.4096s/%.200s", folder, name);
    FILE *file = fopen(path, "ab");
    assert_int_equal(fwrite(bytes, 1, n, file), n);
    fclose(file);
}

static void torn_last_lines_are_left_out_and_counted(void **state)
{
    struct bench *bench = *state;
    check_part(bench, "rudder-17", 120, false, true, TAUT_VERDICT_PASS);
    append(bench->made.path, "trace.csv", "2026-11-25T08:09", 16);
    append(bench->made.path, "journal.jsonl", "{\"row\":\0\0\0\n\0", 12);
    assert_int_equal(replay(bench), TAUT_OK);
    assert_same_state(&bench->made.station, &bench->again);
    assert_int_equal(bench->report.torn_bytes, 28);
}

static void rows_marked_as_lost_are_counted_and_keep_the_numbering(void **state)
{
    struct bench *bench = *state;
    assert_true(tt_station_start(&bench->made, bench->sink, "rudder-17", 1));
    for (int i = 0; i < 10; i++)
        tt_station_sweep(&bench->made, 5000);
    char mark[] = "2026-11-25T08:00:01.100Z,1.100,drawdown,,,,,,,,,gap 50 rows lost\r\n";
    tautd_folder_trace(bench->made.folder, mark, sizeof mark - 1, 1);
    bench->made.rows += 50;
    bench->made.t_ms += 5000;
    tt_station_sweep(&bench->made, 5000);
    tt_station_command(&bench->made, TAUT_VERB_ISOLATE, "");
    tt_station_sweep(&bench->made, 5000);
    finish(bench);
    assert_int_equal(replay(bench), TAUT_OK);
    assert_int_equal(bench->report.rows, 62);
    assert_int_equal(bench->report.lost_rows, 50);
    assert_int_equal(bench->again.phase, TAUT_PHASE_SETTLE);
    assert_true(bench->again.phase_ns == bench->made.station.phase_ns);
}

/* After a power cut the trace may end before rows that the journal already speaks of. */
static void a_journal_ahead_of_its_trace_is_put_in_order(void **state)
{
    struct bench *bench = *state;
    assert_true(tt_station_start(&bench->made, bench->sink, "rudder-17", 1));
    for (int i = 0; i < 10; i++)
        tt_station_sweep(&bench->made, 5000);
    finish(bench);
    static const char lines[] =
        "{\"row\":14,\"elapsed_s\":1.400,\"time_utc\":\"2026-11-25T08:00:01.400Z\",\"kind\":\"command\",\"verb\":\"isolate\","
        "\"who\":\"skerry\",\"status\":\"TAUT_OK\"}\n"
        "{\"row\":10,\"elapsed_s\":60.000,\"time_utc\":\"2026-11-25T08:01:00.000Z\",\"kind\":\"resume\",\"gap_s\":58.600,"
        "\"status\":\"TAUT_OK\"}\n";
    append(bench->made.path, "journal.jsonl", lines, sizeof lines - 1);
    static const char rows[] = "2026-11-25T08:01:00.100Z,60.100,drawdown,5.000,good,5.137,good,2.100,good,21.500,good,\r\n"
                               "2026-11-25T08:01:00.200Z,60.200,drawdown,5.000,good,5.137,good,2.100,good,21.500,good,\r\n"
                               "2026-11-25T08:01:00.300Z,60.300,drawdown,5.000,good,5.137,good,2.100,good,21.500,good,\r\n"
                               "2026-11-25T08:01:00.400Z,60.400,drawdown,5.000,good,5.137,good,2.100,good,21.500,good,\r\n"
                               "2026-11-25T08:01:00.500Z,60.500,drawdown,5.000,good,5.137,good,2.100,good,21.500,good,\r\n";
    append(bench->made.path, "trace.csv", rows, sizeof rows - 1);
    assert_int_equal(replay(bench), TAUT_OK);
    assert_int_equal(bench->report.disagreements, 0);
    assert_int_equal(bench->again.tests, 1); /* isolated before the stop, so the test was interrupted, not begun after it */
    assert_int_equal(taut_station_last_test(&bench->again)->result.verdict, TAUT_VERDICT_INCONCLUSIVE);
    assert_int_equal(taut_station_last_test(&bench->again)->result.why, TAUT_WHY_INTERRUPTED);
    assert_int_equal(bench->again.phase, TAUT_PHASE_DRAWDOWN);
}

/* As the daemon does it: stop in the drop test, rebuild, tell of the gap, go on, finish; then replay the whole. */
static void a_part_taken_up_again_after_a_stop_replays_as_one(void **state)
{
    struct bench *bench = *state;
    struct tt_station *made = &bench->made;
    assert_true(tt_station_start(made, bench->sink, "rudder-17", 1));
    for (int i = 0; i < 400; i++)
        tt_station_sweep(made, 5000);
    tt_station_command(made, TAUT_VERB_ISOLATE, "");
    for (int i = 0; i < 500; i++)
        tt_station_sweep(made, 5000 + i);
    finish(bench);
    append(made->path, "trace.csv", "2026-11-25T08:01", 16);
    assert_int_equal(replay(bench), TAUT_OK);
    assert_same_state(&made->station, &bench->again);
    bench->sink = tautd_sink_new(bench->state, 0.2, NULL);
    assert_non_null(bench->sink);
    made->station = bench->again;
    made->rows = bench->report.rows;
    made->sink = bench->sink;
    made->folder = tautd_sink_reopen(bench->sink, 0, made->path, &bench->diag);
    assert_non_null(made->folder);
    made->t_ms += 100000;
    struct taut_event resume = {.kind = TAUT_EVENT_RESUME, .gap_ns = INT64_C(100000000000)};
    assert_int_equal(tt_station_give(made, &resume), TAUT_OK);
    assert_int_equal(taut_station_last_test(&made->station)->result.verdict, TAUT_VERDICT_INCONCLUSIVE);
    tt_station_make_part(made, 120, true, false);
    finish(bench);
    assert_int_equal(replay(bench), TAUT_OK);
    assert_same_state(&made->station, &bench->again);
    assert_int_equal(bench->again.tests, 2);
    assert_int_equal(bench->report.disagreements, 0);
    assert_int_equal(differences(bench, NULL), 0);
}

/* Damage anywhere: understood or refused with a place, never a crash (run under the sanitizers), and never a pass that
 * was not there before. */
static void random_damage_is_refused_or_harmless(void **state)
{
    struct bench *bench = *state;
    check_part(bench, "rudder-18", 1500, false, false, TAUT_VERDICT_FAIL);
    static const char *const names[] = {"trace.csv", "journal.jsonl", "record.json"};
    static const char put[] = "\0\r\n\",;:{}[]-.019eEnNaA\\\x80\xFF";
    uint64_t seed = 9;
    int refused = 0, noticed = 0;
    for (int i = 0; i < 400; i++) {
        const char *name = names[i % 3];
        char path[4400];
        size_t size = 0;
        char *text = tt_file(bench->made.path, name, &size), *copy = tt_file(bench->made.path, name, NULL);
        size_t first = i % 3 == 0 ? size / 2 : 0; /* in the trace: within the drop test */
        for (uint32_t k = 0; k <= tt_random(&seed) % 3; k++)
            text[first + tt_random(&seed) % (size - first)] = put[tt_random(&seed) % (sizeof put - 1)];
        snprintf(path, sizeof path, "%.4096s/%s", bench->made.path, name);
        chmod(path, 0640);
        FILE *file = fopen(path, "wb");
        fwrite(text, 1, size, file);
        fclose(file);
        memset(&bench->diag, 0, sizeof bench->diag);
        enum taut_status status = replay(bench);
        if (status != TAUT_OK) {
            assert_int_equal(status, TAUT_E_FORMAT);
            assert_true(bench->diag.text[0] != '\0');
            refused++;
        } else {
            for (int number = 1; number <= bench->again.tests; number++)
                assert_int_not_equal(taut_record_test(&bench->again, number)->result.verdict, TAUT_VERDICT_PASS);
            struct tautd_difference difference;
            int found = 0, compared = 0;
            status = tautd_replay_compare(bench->made.path, &bench->again, &difference, 1, &found, &compared, &bench->diag);
            assert_true(status == TAUT_OK || status == TAUT_E_FORMAT);
            noticed += status != TAUT_OK || found > 0;
        }
        file = fopen(path, "wb");
        fwrite(copy, 1, size, file);
        fclose(file);
        free(text);
        free(copy);
    }
    print_message("400 damaged folders: %d refused with a place, %d found to differ, the rest harmless\n", refused, noticed);
    assert_true(refused > 40 && noticed > 40);
}

static void every_kind_of_event_comes_back_from_its_line(void **state)
{
    (void)state;
    char storage[TAUT_JOURNAL_LINE_MAX];
    for (int kind = TAUT_EVENT_COMMAND; kind <= TAUT_EVENT_RESUME; kind++)
        for (int verb = 0; verb < (kind == TAUT_EVENT_COMMAND ? TAUT_VERBS : 1); verb++) {
            struct taut_event event = {
                .kind = (enum taut_event_kind)kind, .t_ns = INT64_C(123456789000000), .wall_ns = TT_START_WALL_NS};
            if (kind == TAUT_EVENT_COMMAND) {
                event.command =
                    (struct taut_command){.verb = (enum taut_verb)verb, .who = "ann \xC3\xA9", .text = "a \"b\" \\ \n c"};
                if (verb >= TAUT_VERB_ACKNOWLEDGE)
                    event.command.alarm = (enum taut_alarm_kind)(verb % (TAUT_ALARM_KINDS + 1));
                if (verb == TAUT_VERB_SHELVE)
                    event.command.number = 0.1;
            }
            event.ok = kind == TAUT_EVENT_VALVE || kind == TAUT_EVENT_RECORD;
            event.step_ns = kind == TAUT_EVENT_CLOCK_STEP ? -INT64_C(3600001000000) : 0;
            event.gap_ns = kind == TAUT_EVENT_RESUME ? INT64_C(86400123000000) : 0;
            struct taut_text text;
            struct tautd_journal_line line;
            struct taut_diag diag = {0};
            taut_text_init(&text, storage, sizeof storage);
            taut_journal_event(&event, 77, TAUT_E_DENIED, &text);
            if (tautd_journal_read_line(storage, &line, &diag))
                fail_msg("%s: %s", diag.text, storage);
            assert_true(line.is_event);
            assert_int_equal(line.row, 77);
            assert_int_equal(line.status, TAUT_E_DENIED);
            assert_int_equal(line.event.kind, event.kind);
            assert_true(line.event.t_ns == event.t_ns && line.event.wall_ns == event.wall_ns);
            assert_true(line.event.step_ns == event.step_ns && line.event.gap_ns == event.gap_ns);
            assert_int_equal(line.event.ok, event.ok);
            assert_int_equal(line.event.command.verb, event.command.verb);
            assert_int_equal(line.event.command.alarm, event.command.alarm);
            assert_true(line.event.command.number == event.command.number);
            assert_string_equal(line.event.command.text, event.command.text);
            assert_string_equal(line.event.command.who, event.command.who);
        }
}

int main(void)
{
#define REPLAY_TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        REPLAY_TEST(a_tight_part_replays_to_its_pass),
        REPLAY_TEST(a_leaking_part_replays_to_its_fail),
        REPLAY_TEST(an_open_part_is_compared_with_its_journal),
        REPLAY_TEST(bad_readings_refused_commands_and_a_clock_set_back_replay_as_they_were),
        REPLAY_TEST(a_recipe_and_a_station_of_odd_numbers_come_back_to_the_bit),
        REPLAY_TEST(one_changed_reading_is_noticed),
        REPLAY_TEST(one_changed_number_in_the_record_is_named),
        REPLAY_TEST(a_command_said_to_be_taken_but_refused_is_a_disagreement),
        REPLAY_TEST(damaged_lines_are_named_by_file_and_line),
        REPLAY_TEST(a_missing_file_or_folder_can_not_be_read),
        REPLAY_TEST(torn_last_lines_are_left_out_and_counted),
        REPLAY_TEST(rows_marked_as_lost_are_counted_and_keep_the_numbering),
        REPLAY_TEST(a_journal_ahead_of_its_trace_is_put_in_order),
        REPLAY_TEST(a_part_taken_up_again_after_a_stop_replays_as_one),
        REPLAY_TEST(random_damage_is_refused_or_harmless),
        cmocka_unit_test(every_kind_of_event_comes_back_from_its_line),
    };
    return cmocka_run_group_tests_name("replay", tests, NULL, NULL);
}
