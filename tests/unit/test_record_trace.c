/* Trace rows: exact text, and back to the same bits. RFC 4180 for quoting; RFC 3339 for time. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "taut/record.h"
#include "tt_csv.h"
#include "tt_part.h"

static const char header[] =
    "time_utc,elapsed_s,phase,A.vent_mbar,A.vent_quality,A.far_mbar,A.far_quality,pump_mbar,pump_quality,"
    "room_degC,room_quality,event";

struct row {
    char text[TAUT_TRACE_ROW_MAX];
    int64_t wall_ns, t_ns;
    struct taut_sweep back;
};

static enum taut_status print_and_parse(struct row *row, int64_t wall_ns, int64_t t_ns, const struct taut_sweep *sweep,
                                        const char *event)
{
    struct taut_station_setup setup = tt_setup();
    struct taut_trace_clock clock = {0};
    struct taut_trace_columns columns;
    struct taut_text text;
    taut_text_init(&text, row->text, sizeof row->text);
    taut_trace_row(&setup, &clock, wall_ns, t_ns, TAUT_PHASE_DROP_TEST, sweep, event, &text);
    assert_false(text.full);
    assert_int_equal(taut_trace_columns(&setup, header, &columns, NULL), TAUT_OK);
    char line[TAUT_TRACE_ROW_MAX];
    snprintf(line, sizeof line, "%.*s", (int)strcspn(row->text, "\r\n"), row->text);
    return taut_trace_parse(&columns, line, &row->wall_ns, &row->t_ns, &row->back, NULL);
}

static void the_header_names_every_wired_channel(void **state)
{
    (void)state;
    struct taut_station_setup setup = tt_setup();
    char storage[TAUT_TRACE_ROW_MAX], expected[TAUT_TRACE_ROW_MAX];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    taut_trace_header(&setup, &text);
    snprintf(expected, sizeof expected, "%s\r\n", header);
    assert_string_equal(storage, expected);
}

static void a_row_says_value_and_quality_of_every_channel(void **state)
{
    (void)state;
    struct row row;
    struct taut_sweep sweep = tt_sweep(9127);
    sweep.sample[TAUT_ROLE_FAR] = (struct taut_sample){tt_pa(-40), TAUT_QUALITY_UNCERTAIN, TAUT_REASON_UNDER_RANGE};
    sweep.sample[TAUT_ROLE_MANIFOLD] = tt_bad(TAUT_REASON_NO_ANSWER);
    sweep.sample[TAUT_ROLE_TEMPERATURE] = tt_good(tt_k(-7001));
    assert_int_equal(print_and_parse(&row, TT_START_WALL_NS + INT64_C(61234567890), INT64_C(61234000000), &sweep, ""), TAUT_OK);
    assert_string_equal(row.text,
                        "2026-11-25T08:01:01.234Z,61.234,drop-test,9.127,good,-0.040,uncertain:under-range,,bad:no-answer,"
                        "-7.001,good,\r\n");
    assert_true(row.wall_ns == TT_START_WALL_NS + INT64_C(61234000000));
    assert_true(row.t_ns == INT64_C(61234000000));
}

static void what_was_not_read_stays_empty(void **state)
{
    (void)state;
    struct row row;
    struct taut_sweep nothing = {0}, vent = {.present = 1u << TAUT_ROLE_VENT, .sample = {tt_good(101325)}};
    assert_int_equal(print_and_parse(&row, TT_START_WALL_NS, 0, &nothing, ""), TAUT_OK);
    assert_string_equal(row.text, "2026-11-25T08:00:00.000Z,0.000,drop-test,,,,,,,,,\r\n");
    assert_int_equal(row.back.present, 0);
    assert_int_equal(print_and_parse(&row, TT_START_WALL_NS, 0, &vent, ""), TAUT_OK);
    assert_string_equal(row.text, "2026-11-25T08:00:00.000Z,0.000,drop-test,1013.250,good,,,,,,,\r\n");
    assert_int_equal(row.back.present, 1u << TAUT_ROLE_VENT);
}

static void every_pressure_and_temperature_comes_back_to_the_bit(void **state)
{
    (void)state;
    struct row row;
    struct taut_sweep sweep = tt_sweep(0);
    for (int64_t n = -1000; n < 1100000; n += n < 60000 ? 1 : 997) {
        sweep.sample[TAUT_ROLE_VENT].value = tt_pa(n);
        sweep.sample[TAUT_ROLE_FAR].value = tt_pa(1100000 - n);
        sweep.sample[TAUT_ROLE_MANIFOLD].value = taut_sample_round_pa((double)n * 0.0999999);
        sweep.sample[TAUT_ROLE_TEMPERATURE].value = tt_k(n / 5 - 40000);
        assert_int_equal(print_and_parse(&row, TT_START_WALL_NS + n * 1000000, n < 0 ? 0 : n * 1000000, &sweep, ""), TAUT_OK);
        for (int role = 0; role < TAUT_ROLES; role++)
            if (sweep.present & (1u << role))
                assert_true(tt_same_sample(&sweep.sample[role], &row.back.sample[role]));
        assert_true(row.wall_ns == TT_START_WALL_NS + n * 1000000);
        assert_true(n < 0 || row.t_ns == n * 1000000);
    }
}

static void every_quality_and_reason_comes_back(void **state)
{
    (void)state;
    struct row row;
    struct taut_sweep sweep = tt_sweep(5000);
    for (int reason = TAUT_REASON_NONE; reason < TAUT_REASONS; reason++) {
        sweep.sample[TAUT_ROLE_VENT] = tt_bad((enum taut_reason)reason);
        sweep.sample[TAUT_ROLE_FAR] = (struct taut_sample){tt_pa(77), TAUT_QUALITY_UNCERTAIN, (enum taut_reason)reason};
        sweep.sample[TAUT_ROLE_MANIFOLD] = (struct taut_sample){(double)NAN, TAUT_QUALITY_UNCERTAIN, (enum taut_reason)reason};
        assert_int_equal(print_and_parse(&row, TT_START_WALL_NS, 0, &sweep, ""), TAUT_OK);
        for (int role = 0; role <= TAUT_ROLE_MANIFOLD; role++)
            if (sweep.present & (1u << role))
                assert_true(tt_same_sample(&sweep.sample[role], &row.back.sample[role]));
    }
}

static void a_good_reading_without_a_number_is_never_written_as_good(void **state)
{
    (void)state;
    static const double values[] = {(double)NAN, (double)INFINITY, -(double)INFINITY, 1e300};
    struct row row;
    for (int i = 0; i < 4; i++) {
        struct taut_sweep sweep = {.present = 1u << TAUT_ROLE_VENT, .sample = {tt_good(values[i])}};
        assert_int_equal(print_and_parse(&row, TT_START_WALL_NS, 0, &sweep, ""), TAUT_OK);
        assert_non_null(strstr(row.text, ",drop-test,,bad:not-a-number,"));
        assert_int_equal(row.back.sample[0].quality, TAUT_QUALITY_BAD);
    }
}

static void an_event_is_quoted_as_rfc_4180_needs_and_stays_one_line(void **state)
{
    (void)state;
    struct row row;
    struct taut_sweep nothing = {0};
    char longest[400];
    memset(longest, '"', sizeof longest - 1);
    longest[sizeof longest - 1] = '\0';
    assert_int_equal(print_and_parse(&row, TT_START_WALL_NS, 0, &nothing, "fill, \"resin in\"\r\nnow"), TAUT_OK);
    assert_non_null(strstr(row.text, ",\"fill, \"\"resin in\"\"  now\"\r\n"));
    assert_int_equal(print_and_parse(&row, TT_START_WALL_NS, 0, &nothing, longest), TAUT_OK);
    assert_int_equal(strlen(strstr(row.text, ",\"")), 1 + 2 + 2 * 255 + 2);
}

static void the_printed_second_follows_every_change_of_the_wall_clock(void **state)
{
    (void)state;
    static const int64_t walls[] = {0,
                                    999999999,
                                    1000000000,
                                    -1,
                                    -1000000000,
                                    TT_START_WALL_NS,
                                    TT_START_WALL_NS - INT64_C(3600000000000),
                                    TT_START_WALL_NS + 1};
    struct taut_station_setup setup = tt_setup();
    struct taut_trace_clock clock = {0};
    struct taut_sweep nothing = {0};
    for (size_t i = 0; i < sizeof walls / sizeof walls[0]; i++) {
        char storage[TAUT_TRACE_ROW_MAX], expected[TAUT_TIME_TEXT_MAX];
        struct taut_text text;
        taut_text_init(&text, storage, sizeof storage);
        taut_trace_row(&setup, &clock, walls[i], 0, TAUT_PHASE_IDLE, &nothing, "", &text);
        taut_time_print(walls[i], expected);
        assert_memory_equal(storage, expected, 24);
    }
}

static void rows_that_are_damaged_are_refused_with_the_place(void **state)
{
    (void)state;
    static const struct {
        const char *line, *found;
        int column;
    } cases[] = {
        {"2026-11-25T08:00:00Z,1.0,settle,1.000",                  "found 4 fields",                     0 },
        {"yesterday,1.0,settle,,,,,,,,,",                          "\"yesterday\"",                      1 },
        {"2026-11-25T08:00:00Z,one,settle,,,,,,,,,",               "\"one\"",                            22},
        {"2026-11-25T08:00:00Z,1.0,settle,1.0e3,good,,,,,,,",      "\"1.0e3\"",                          33},
        {"2026-11-25T08:00:00Z,1.0,settle,1.0001,good,,,,,,,",     "\"1.0001\"",                         33},
        {"2026-11-25T08:00:00Z,1.0,settle,nan,good,,,,,,,",        "\"nan\"",                            33},
        {"2026-11-25T08:00:00Z,1.0,settle,,good,,,,,,,",           "a number where the quality is good", 33},
        {"2026-11-25T08:00:00Z,1.0,settle,1.000,,,,,,,,",          "no value where there is no quality", 33},
        {"2026-11-25T08:00:00Z,1.0,settle,1.000,fine,,,,,,,",      "\"fine\"",                           39},
        {"2026-11-25T08:00:00Z,1.0,settle,1.000,bad:tired,,,,,,,", "\"bad:tired\"",                      39},
        {"2026-11-25T08:00:00Z,1.0,settle,\"1.000,good,,,,,,,",    "a quote is not closed",              0 },
        {"",                                                       "found 1 fields",                     0 },
    };
    struct taut_station_setup setup = tt_setup();
    struct taut_trace_columns columns;
    assert_int_equal(taut_trace_columns(&setup, header, &columns, NULL), TAUT_OK);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char line[200];
        struct row row = {.wall_ns = 42};
        struct taut_diag diag = {0};
        snprintf(line, sizeof line, "%s", cases[i].line);
        assert_int_equal(taut_trace_parse(&columns, line, &row.wall_ns, &row.t_ns, &row.back, &diag), TAUT_E_FORMAT);
        assert_non_null(strstr(diag.text, cases[i].found));
        assert_int_equal(diag.column, cases[i].column);
        assert_true(row.wall_ns == 42);
    }
}

static void a_header_without_a_channel_is_refused_by_name(void **state)
{
    (void)state;
    struct taut_station_setup setup = tt_setup();
    struct taut_trace_columns columns;
    struct taut_diag diag;
    assert_int_equal(taut_trace_columns(&setup, "time_utc,elapsed_s,phase,A.vent_mbar,A.vent_quality,event", &columns, &diag),
                     TAUT_E_FORMAT);
    assert_non_null(strstr(diag.text, "A.far (far)"));
    assert_int_equal(taut_trace_columns(&setup, "time,elapsed_s,phase", &columns, &diag), TAUT_E_FORMAT);
    assert_non_null(strstr(diag.text, "time_utc"));
}

static void two_roles_on_one_channel_keep_their_columns_apart(void **state)
{
    (void)state;
    struct taut_station_setup setup = {0};
    struct taut_trace_columns columns;
    char storage[TAUT_TRACE_ROW_MAX];
    struct taut_text text;
    tt_channel(&setup, TAUT_ROLE_VENT, "p");
    tt_channel(&setup, TAUT_ROLE_FAR, "p");
    taut_text_init(&text, storage, sizeof storage);
    taut_trace_header(&setup, &text);
    assert_int_equal(taut_trace_columns(&setup, storage, &columns, NULL), TAUT_OK);
    assert_int_equal(columns.value[TAUT_ROLE_VENT], 3);
    assert_int_equal(columns.quality[TAUT_ROLE_FAR], 6);
}

static void a_gap_is_marked_with_the_time_of_the_first_lost_row(void **state)
{
    (void)state;
    struct row row;
    char mark[TAUT_TRACE_ROW_MAX];
    struct taut_text text;
    int64_t lost = 0;
    struct taut_sweep sweep = tt_sweep(1234);
    assert_int_equal(print_and_parse(&row, TT_START_WALL_NS, 5000000000, &sweep, "a, b"), TAUT_OK);
    assert_false(taut_trace_is_gap(row.text, &lost));
    taut_text_init(&text, mark, sizeof mark);
    taut_trace_gap(row.text, 3071, &text);
    assert_string_equal(mark, "2026-11-25T08:00:00.000Z,5.000,drop-test,,,,,,,,,gap 3071 rows lost\r\n");
    mark[strlen(mark) - 2] = '\0';
    assert_true(taut_trace_is_gap(mark, &lost));
    assert_int_equal(lost, 3071);
    assert_false(taut_trace_is_gap("a,gap x rows lost", &lost));
    assert_false(taut_trace_is_gap("a,gap 1 rows lost?", &lost));
    assert_false(taut_trace_is_gap("", &lost));
}

static void a_row_that_does_not_fit_is_left_out_whole(void **state)
{
    (void)state;
    struct taut_station_setup setup = tt_setup();
    struct taut_trace_clock clock = {0};
    struct taut_sweep sweep = tt_sweep(1234);
    char small[50];
    struct taut_text text;
    taut_text_init(&text, small, sizeof small);
    taut_trace_row(&setup, &clock, 0, 0, TAUT_PHASE_CURE, &sweep, "", &text);
    assert_true(text.full);
    assert_int_equal(text.length, 0);
}

/* Key names of the W3C vocabulary (csvw_minimal.json), codes of UCUM (ucum_codes.csv). */
static void the_metadata_speak_csv_on_the_web_and_ucum(void **state)
{
    (void)state;
    struct taut_station_setup setup = tt_setup();
    struct taut_run run = tt_run("rudder-17", 1);
    char storage[TAUT_METADATA_MAX], quoted[80];
    struct taut_text text;
    taut_text_init(&text, storage, sizeof storage);
    taut_trace_metadata(&setup, &run, &text);
    assert_false(text.full);
    static const char *const keys[] = {"\"@context\": \"http://www.w3.org/ns/csvw\"",
                                       "\"url\": \"trace.csv\"",
                                       "\"dialect\"",
                                       "\"tableSchema\"",
                                       "\"columns\"",
                                       "\"base\": \"dateTimeStamp\"",
                                       "\"base\": \"decimal\"",
                                       "\"titles\": \"A.vent_mbar\"",
                                       "\"name\": \"vent_mbar\""};
    for (size_t i = 0; i < sizeof keys / sizeof keys[0]; i++)
        assert_non_null(strstr(storage, keys[i]));
    struct tt_csv table;
    int found = 0;
    tt_csv_open(&table, "ucum_codes.csv");
    while (tt_csv_next(&table)) {
        const char *unit = tt_csv_text(&table, "unit");
        if (strcmp(unit, "millibar") != 0 && strcmp(unit, "degree Celsius") != 0 && strcmp(unit, "second") != 0)
            continue;
        snprintf(quoted, sizeof quoted, "ucumCode\": \"%s\"", tt_csv_text(&table, "ucum_code"));
        assert_non_null(strstr(storage, quoted));
        found++;
    }
    tt_csv_close(&table);
    assert_int_equal(found, 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_header_names_every_wired_channel),
        cmocka_unit_test(a_row_says_value_and_quality_of_every_channel),
        cmocka_unit_test(what_was_not_read_stays_empty),
        cmocka_unit_test(every_pressure_and_temperature_comes_back_to_the_bit),
        cmocka_unit_test(every_quality_and_reason_comes_back),
        cmocka_unit_test(a_good_reading_without_a_number_is_never_written_as_good),
        cmocka_unit_test(an_event_is_quoted_as_rfc_4180_needs_and_stays_one_line),
        cmocka_unit_test(the_printed_second_follows_every_change_of_the_wall_clock),
        cmocka_unit_test(rows_that_are_damaged_are_refused_with_the_place),
        cmocka_unit_test(a_header_without_a_channel_is_refused_by_name),
        cmocka_unit_test(two_roles_on_one_channel_keep_their_columns_apart),
        cmocka_unit_test(a_gap_is_marked_with_the_time_of_the_first_lost_row),
        cmocka_unit_test(a_row_that_does_not_fit_is_left_out_whole),
        cmocka_unit_test(the_metadata_speak_csv_on_the_web_and_ucum),
    };
    return cmocka_run_group_tests_name("record_trace", tests, NULL, NULL);
}
