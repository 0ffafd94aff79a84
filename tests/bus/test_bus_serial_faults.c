/* What a bad unit or a noisy line can do to an answer. Whatever it is, no reading may be another register's value. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "bus/rtu.h"
#include "rig.h"
#include "tt_csv.h"
#include "tt_rtu_unit.h"

static struct tt_rtu *rtu;

/* Two blocks of the same unit, table and length, far apart: the worst case for a stale answer. */
static int setup(void **state)
{
    (void)state;
    struct tt_rtu_options options = {.baud = 115200, .bits = 10, .turnaround_s = 0.002, .first_unit = 1, .last_unit = 2};
    rtu = tt_rtu_start(&options);
    rig_clear();
    rig_line(TAUTD_LINE_RTU, tt_rtu_path(rtu), 0);
    rig.line[0].timeout_s = 0.1;
    rig.line[0].settle_s = 0.3;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 100, 0.05);
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_NONE, 2, 5));
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    rig_stop();
    tt_rtu_stop(rtu);
    return 0;
}

/* One answer is spoilt: at most one reading may be lost by it, none may be wrong, and all goes on. */
static void one_fault(enum tt_fault fault, int argument, enum taut_reason reason, int least, int most)
{
    int from = rig.n;
    tt_rtu_fault(rtu, 1, fault, argument, 1);
    if (least > 0)
        assert_true(rig_await(-1, reason, least, 5));
    for (int c = 0; c < 2; c++)
        assert_true(rig_await(c, TAUT_REASON_NONE, 5, 5));
    rig_check();
    int bad = rig_count(from, -1, reason);
    assert_in_range(bad, least, most);
    assert_int_equal(rig.n - from, bad + rig_count(from, -1, TAUT_REASON_NONE)); /* and for no other reason */
}

static void a_missing_answer_costs_one_reading(void **state)
{
    (void)state;
    one_fault(TT_FAULT_SILENT, 0, TAUT_REASON_NO_ANSWER, 1, 1);
    assert_int_equal(rig_stats(0).timeouts, 1);
}

static void a_late_answer_is_not_taken_for_the_next_one_of_the_same_length(void **state)
{
    (void)state;
    one_fault(TT_FAULT_LATE, 200, TAUT_REASON_NO_ANSWER, 1, 1);
    assert_int_equal(rig_stats(0).late, 1);
    struct tt_rtu_counts c;
    tt_rtu_counts(rtu, &c);
    assert_int_equal(c.violations, 0);
}

static void answers_that_are_late_again_and_again_never_slip(void **state)
{
    (void)state;
    for (int ms = 110; ms < 390; ms += 31) {
        int from = rig.n;
        tt_rtu_fault(rtu, 1, TT_FAULT_LATE, ms, 1);
        assert_true(rig_await(-1, TAUT_REASON_NO_ANSWER, 1, 5));
        assert_true(rig_await(0, TAUT_REASON_NONE, 2, 5));
        assert_int_equal(rig_count(from, -1, TAUT_REASON_BAD_FRAME), 0);
    }
    rig_check();
}

static void an_answer_later_than_the_settling_time_still_fails_by_its_length(void **state)
{
    (void)state;
    rig_stop();
    rig.n = 0;
    rig.line[0].gap_registers = 1; /* so the two blocks are one and two registers long */
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_NONE, 2, 5));
    for (int ms = 420; ms < 480; ms += 7) {
        tt_rtu_fault(rtu, 1, TT_FAULT_LATE, ms, 1);
        assert_true(rig_await(-1, TAUT_REASON_NO_ANSWER, 1, 5));
        assert_true(rig_await(0, TAUT_REASON_NONE, 3, 5));
        assert_true(rig_await(1, TAUT_REASON_NONE, 3, 5));
    }
    rig_check();
}

static void a_short_answer_is_a_bad_frame_and_ends_with_the_time_out(void **state)
{
    (void)state;
    one_fault(TT_FAULT_SHORT, 0, TAUT_REASON_BAD_FRAME, 1, 1);
}

static void a_wrong_checksum_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_CRC, 0, TAUT_REASON_BAD_FRAME, 1, 1);
}

static void an_answer_of_another_unit_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_UNIT, 0, TAUT_REASON_BAD_FRAME, 1, 1);
}

static void an_answer_to_another_function_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_FUNCTION, 0, TAUT_REASON_BAD_FRAME, 1, 1);
}

static void an_answer_with_a_wrong_byte_count_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_COUNT, 0, TAUT_REASON_BAD_FRAME, 1, 1);
}

static void noise_before_an_answer_costs_one_reading(void **state)
{
    (void)state;
    one_fault(TT_FAULT_NOISE_BEFORE, 0, TAUT_REASON_BAD_FRAME, 1, 1);
}

static void noise_after_an_answer_costs_none(void **state)
{
    (void)state;
    one_fault(TT_FAULT_NOISE_AFTER, 0, TAUT_REASON_BAD_FRAME, 0, 0);
}

static void an_answer_sent_twice_costs_none(void **state)
{
    (void)state;
    one_fault(TT_FAULT_TWICE, 0, TAUT_REASON_BAD_FRAME, 0, 0);
}

static void an_echo_is_not_an_answer(void **state)
{
    (void)state;
    one_fault(TT_FAULT_ECHO, 0, TAUT_REASON_BAD_FRAME, 1, 1);
}

static void a_dripping_answer_holds_the_line_no_longer_than_a_missing_one(void **state)
{
    (void)state;
    const atomic_bool stop = false;
    struct tautd_rtu port;
    struct tautd_exchange x;
    struct taut_diag diag;
    struct tautd_ask ask = {.unit = 1, .function = TAUTD_READ_INPUT, .address = 0, .value = 1};
    rig_stop();
    tautd_rtu_init(&port, &rig.line[0], &stop);
    assert_int_equal(tautd_rtu_open(&port, &diag), TAUT_OK);
    tt_rtu_fault(rtu, 1, TT_FAULT_DRIP, 0, 1);
    tautd_rtu_ask(&port, &ask, 0.8, true, &x);
    assert_int_equal(x.answer.reason, TAUT_REASON_BAD_FRAME);
    assert_true(x.partial);
    double took_s = 1e-9 * (double)(x.got_real_ns - x.sent_real_ns);
    assert_true(took_s > 0.75 && took_s < 1.2); /* seven bytes at 0.3 s would be 2.1 s */
    tautd_rtu_close(&port);
}

/* Source of the codes: modbus_exceptions.csv. */
static void every_exception_code_is_told_and_the_line_goes_on_at_once(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "modbus_exceptions.csv");
    while (tt_csv_next(&t)) {
        int code = (int)strtol(tt_csv_text(&t, "code_hex"), NULL, 16), from = rig.n;
        enum taut_reason reason = code == 0x0B ? TAUT_REASON_NO_ANSWER : TAUT_REASON_EXCEPTION;
        tt_rtu_fault(rtu, 1, TT_FAULT_EXCEPTION, code, 1);
        assert_true(rig_await(-1, reason, 1, 5));
        for (int i = from; i < rig.n; i++)
            if (rig.seen[i].reason == reason)
                assert_int_equal(rig.seen[i].exception, code);
        assert_true(rig_await(0, TAUT_REASON_NONE, 1, 5));
    }
    tt_csv_close(&t);
    rig_check();
    assert_int_equal(rig_stats(0).timeouts, 0);
    assert_int_equal(rig_stats(0).bad_frames, 0);
}

static void a_unit_that_only_babbles_is_left_alone_too(void **state)
{
    (void)state;
    tt_rtu_fault(rtu, 1, TT_FAULT_CRC, 0, -1);
    assert_true(rig_await(0, TAUT_REASON_BAD_FRAME, 10, 10));
    assert_false(rig_stats(0).answers == 0);
    tt_rtu_fault(rtu, 1, TT_FAULT_NONE, 0, 0);
    assert_true(rig_await(0, TAUT_REASON_NONE, 1, 10));
    rig_check();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_missing_answer_costs_one_reading, setup, teardown),
        cmocka_unit_test_setup_teardown(a_late_answer_is_not_taken_for_the_next_one_of_the_same_length, setup, teardown),
        cmocka_unit_test_setup_teardown(answers_that_are_late_again_and_again_never_slip, setup, teardown),
        cmocka_unit_test_setup_teardown(an_answer_later_than_the_settling_time_still_fails_by_its_length, setup, teardown),
        cmocka_unit_test_setup_teardown(a_short_answer_is_a_bad_frame_and_ends_with_the_time_out, setup, teardown),
        cmocka_unit_test_setup_teardown(a_wrong_checksum_is_a_bad_frame, setup, teardown),
        cmocka_unit_test_setup_teardown(an_answer_of_another_unit_is_a_bad_frame, setup, teardown),
        cmocka_unit_test_setup_teardown(an_answer_to_another_function_is_a_bad_frame, setup, teardown),
        cmocka_unit_test_setup_teardown(an_answer_with_a_wrong_byte_count_is_a_bad_frame, setup, teardown),
        cmocka_unit_test_setup_teardown(noise_before_an_answer_costs_one_reading, setup, teardown),
        cmocka_unit_test_setup_teardown(noise_after_an_answer_costs_none, setup, teardown),
        cmocka_unit_test_setup_teardown(an_answer_sent_twice_costs_none, setup, teardown),
        cmocka_unit_test_setup_teardown(an_echo_is_not_an_answer, setup, teardown),
        cmocka_unit_test_setup_teardown(a_dripping_answer_holds_the_line_no_longer_than_a_missing_one, setup, teardown),
        cmocka_unit_test_setup_teardown(every_exception_code_is_told_and_the_line_goes_on_at_once, setup, teardown),
        cmocka_unit_test_setup_teardown(a_unit_that_only_babbles_is_left_alone_too, setup, teardown),
    };
    return cmocka_run_group_tests_name("serial faults", tests, NULL, NULL);
}
