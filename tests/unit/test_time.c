/* Wall-clock text against RFC 3339's examples (rfc3339_cases.csv) and against the C library's calendar. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <time.h>

#include <cmocka.h>

#include "taut/time.h"
#include "taut/units.h"
#include "tt_csv.h"

static void rfc3339_examples_are_read_or_refused(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "rfc3339_cases.csv");
    int refused = 0;
    while (tt_csv_next(&table)) {
        const char *text = tt_csv_text(&table, "text");
        int64_t ns = 42;
        enum taut_status status = taut_time_parse(text, &ns);
        if (strncmp(tt_csv_text(&table, "verdict"), "invalid", 7) == 0) {
            assert_true(status == TAUT_E_FORMAT || status == TAUT_E_RANGE);
            assert_int_equal(ns, 42);
            refused++;
            continue;
        }
        assert_int_equal(status, TAUT_OK);
        tt_near_abs((double)ns / 1e9, tt_csv_number(&table, "unix_seconds"), 1e-6, text);
    }
    assert_true(refused >= 7);
    tt_csv_close(&table);
}

static void days_that_do_not_exist_are_out_of_range(void **state)
{
    (void)state;
    static const char *const texts[] = {"2026-02-29T00:00:00Z", "2100-02-29T00:00:00Z",      "2026-00-01T00:00:00Z",
                                        "2026-04-31T00:00:00Z", "2026-11-25T24:00:00Z",      "2026-11-25T08:60:00Z",
                                        "2026-11-25T08:26:61Z", "2026-11-25T08:26:44+24:00", "1600-01-01T00:00:00Z",
                                        "9999-12-31T23:59:59Z", "2026-11-25T08:26:60Z",      "2026-11-25T23:59:60Z"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        int64_t ns = 42;
        assert_int_equal(taut_time_parse(texts[i], &ns), TAUT_E_RANGE);
        assert_int_equal(ns, 42);
    }
}

static void texts_outside_the_grammar_are_refused(void **state)
{
    (void)state;
    static const char *const texts[] = {"",
                                        "2026",
                                        "2026-11-25",
                                        "2026-11-25 08:26:44Z",
                                        "2026-11-25T08:26:44",
                                        "2026-1-25T08:26:44Z",
                                        "2026-11-25T08:26:44Z ",
                                        " 2026-11-25T08:26:44Z",
                                        "2026-11-25T08:26:44+0100",
                                        "2026-11-25T08:26:44+01",
                                        "2026-11-25T08:26:44,5Z",
                                        "+026-11-25T08:26:44Z"};
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        int64_t ns = 42;
        assert_int_equal(taut_time_parse(texts[i], &ns), TAUT_E_FORMAT);
        assert_int_equal(ns, 42);
    }
}

static void print_rounds_down_to_milliseconds(void **state)
{
    (void)state;
    static const struct {
        int64_t ns;
        const char *text;
    } cases[] = {
        {0,                            "1970-01-01T00:00:00.000Z"},
        {-1,                           "1969-12-31T23:59:59.999Z"},
        {INT64_C(1795595204120999999), "2026-11-25T08:26:44.120Z"},
        {INT64_C(951782400000000000),  "2000-02-29T00:00:00.000Z"},
        {INT64_MIN,                    "1677-09-21T00:12:43.145Z"},
        {INT64_MAX,                    "2262-04-11T23:47:16.854Z"}
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char text[TAUT_TIME_TEXT_MAX];
        taut_time_print(cases[i].ns, text);
        assert_string_equal(text, cases[i].text);
    }
}

/* The outside opinion is gmtime_r. */
static void calendar_agrees_with_the_c_library_and_reads_back(void **state)
{
    (void)state;
    for (int64_t s = -INT64_C(9000000000); s < INT64_C(9000000000); s += 86400 * 3 + 4561) {
        time_t when = (time_t)s;
        struct tm tm;
        char want[64], got[TAUT_TIME_TEXT_MAX];
        gmtime_r(&when, &tm);
        strftime(want, sizeof want, "%Y-%m-%dT%H:%M:%S.007Z", &tm);
        int64_t ns = s * TAUT_NS_PER_S + 7 * TAUT_NS_PER_MS, back = 0;
        taut_time_print(ns, got);
        assert_string_equal(got, want);
        assert_int_equal(taut_time_parse(got, &back), TAUT_OK);
        assert_int_equal(back, ns);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rfc3339_examples_are_read_or_refused),
        cmocka_unit_test(days_that_do_not_exist_are_out_of_range),
        cmocka_unit_test(texts_outside_the_grammar_are_refused),
        cmocka_unit_test(print_rounds_down_to_milliseconds),
        cmocka_unit_test(calendar_agrees_with_the_c_library_and_reads_back),
    };
    return cmocka_run_group_tests_name("time", tests, NULL, NULL);
}
