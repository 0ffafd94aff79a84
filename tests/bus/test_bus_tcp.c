/* Polling through Modbus TCP gateways that go wrong in every way we could think of. */
#include <errno.h>
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/resource.h>
#include <sys/select.h>
#include <unistd.h>

#include <cmocka.h>

#include "bus/tcp.h"
#include "rig.h"
#include "tt_csv.h"
#include "tt_gateway.h"

static struct tt_gateway *gateway;

static int setup(void **state)
{
    (void)state;
    struct tt_gateway_options options = {.latency_s = 0.001};
    gateway = tt_gateway_start(&options);
    rig_clear();
    rig_line(TAUTD_LINE_TCP, NULL, tt_gateway_port(gateway));
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 100, 0.05);
    rig_channel(0, 2, TAUTD_TABLE_INPUT, 0, 0.05);
    return 0;
}

static int setup_polling(void **state)
{
    setup(state);
    rig_start();
    for (int c = 0; c < 3; c++)
        assert_true(rig_await(c, TAUT_REASON_NONE, 2, 5));
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    rig_stop();
    tt_gateway_stop(gateway);
    return 0;
}

static struct tt_gateway_counts counts(void)
{
    struct tt_gateway_counts c;
    tt_gateway_counts(gateway, &c);
    return c;
}

/* One answer to unit 1 is spoilt: one bad reading, none wrong, a new connection, and unit 2 has not noticed. */
static void one_fault(enum tt_fault fault, int argument, enum taut_reason reason)
{
    int from = rig.n;
    uint64_t connections = counts().connections;
    tt_gateway_fault(gateway, 1, fault, argument, 1);
    assert_true(rig_await(-1, reason, 1, 5));
    for (int c = 0; c < 3; c++)
        assert_true(rig_await(c, TAUT_REASON_NONE, 5, 5));
    rig_check();
    assert_int_equal(rig_count(from, -1, reason), 1);
    assert_int_equal(rig.n - from, 1 + rig_count(from, -1, TAUT_REASON_NONE));
    assert_int_equal(rig.n, rig_count(0, 2, TAUT_REASON_NONE) + rig_count(0, 0, TAUT_REASON_NONE) +
                                rig_count(0, 1, TAUT_REASON_NONE) + 1);
    assert_int_equal(counts().connections, connections + 1);
}

static void each_unit_has_a_connection_of_its_own(void **state)
{
    (void)state;
    rig_check();
    assert_int_equal(counts().connections, 2);
    assert_int_equal(counts().open, 2);
    assert_int_equal(counts().writes, 0);
    assert_int_equal(counts().others, 0);
    assert_true(rig_stats(0).up);
}

static void a_missing_answer_is_told_and_the_connection_made_anew(void **state)
{
    (void)state;
    one_fault(TT_FAULT_SILENT, 0, TAUT_REASON_NO_ANSWER);
}

static void a_late_answer_meets_a_closed_connection(void **state)
{
    (void)state;
    one_fault(TT_FAULT_LATE, 300, TAUT_REASON_NO_ANSWER);
}

static void an_answer_of_another_unit_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_UNIT, 0, TAUT_REASON_BAD_FRAME);
}

static void an_answer_to_another_transaction_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_TRANSACTION, 0, TAUT_REASON_BAD_FRAME);
}

static void another_protocol_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_PROTOCOL, 0, TAUT_REASON_BAD_FRAME);
}

static void a_length_that_does_not_fit_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_LENGTH, 0, TAUT_REASON_BAD_FRAME);
}

static void an_answer_to_another_function_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_FUNCTION, 0, TAUT_REASON_BAD_FRAME);
}

static void an_answer_with_a_register_too_many_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_WRONG_COUNT, 0, TAUT_REASON_BAD_FRAME);
}

static void a_short_answer_is_a_bad_frame(void **state)
{
    (void)state;
    one_fault(TT_FAULT_SHORT, 0, TAUT_REASON_BAD_FRAME);
}

static void an_answer_sent_twice_costs_a_connection_but_no_reading(void **state)
{
    (void)state;
    int from = rig.n;
    uint64_t connections = counts().connections;
    tt_gateway_fault(gateway, 1, TT_FAULT_TWICE, 0, 1);
    for (int c = 0; c < 3; c++)
        assert_true(rig_await(c, TAUT_REASON_NONE, 5, 5));
    rig_check();
    assert_int_equal(rig.n - from, rig_count(from, -1, TAUT_REASON_NONE));
    assert_int_equal(counts().connections, connections + 1);
}

static void a_connection_reset_is_a_line_that_is_down(void **state)
{
    (void)state;
    one_fault(TT_FAULT_RESET, 0, TAUT_REASON_LINE_DOWN);
}

static void a_connection_closed_is_a_line_that_is_down(void **state)
{
    (void)state;
    one_fault(TT_FAULT_CLOSE, 0, TAUT_REASON_LINE_DOWN);
}

/* As root the other end forgets the connection without a word and answers the next request by a reset; else it only
 * never speaks again. Either way one reading tells of it and the next connection is good. */
static void a_half_open_connection_is_noticed(void **state)
{
    (void)state;
    int from = rig.n;
    tt_gateway_fault(gateway, 1, TT_FAULT_VANISH, 0, 1);
    for (int i = 0; i < 100 && rig_count(from, -1, TAUT_REASON_NO_ANSWER) + rig_count(from, -1, TAUT_REASON_LINE_DOWN) == 0; i++)
        rig_run(0.05);
    assert_true(rig_await(0, TAUT_REASON_NONE, 5, 5));
    assert_true(rig_await(1, TAUT_REASON_NONE, 5, 5));
    assert_int_equal(rig_count(from, -1, TAUT_REASON_NO_ANSWER) + rig_count(from, -1, TAUT_REASON_LINE_DOWN), 1);
    assert_int_equal(rig_count(from, 2, TAUT_REASON_NO_ANSWER), 0);
    rig_check();
}

/* Source of the codes: modbus_exceptions.csv. */
static void exceptions_leave_the_connection_as_it_is(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "modbus_exceptions.csv");
    while (tt_csv_next(&t)) {
        int code = (int)strtol(tt_csv_text(&t, "code_hex"), NULL, 16), from = rig.n;
        enum taut_reason reason = code == 0x0B ? TAUT_REASON_NO_ANSWER : TAUT_REASON_EXCEPTION;
        tt_gateway_fault(gateway, 1, TT_FAULT_EXCEPTION, code, 1);
        assert_true(rig_await(-1, reason, 1, 5));
        for (int i = from; i < rig.n; i++)
            if (rig.seen[i].reason == reason)
                assert_int_equal(rig.seen[i].exception, code);
        assert_true(rig_await(0, TAUT_REASON_NONE, 1, 5));
    }
    tt_csv_close(&t);
    rig_check();
    assert_int_equal(counts().connections, 2);
}

static void a_unit_silent_behind_its_gateway_is_left_alone_without_closing(void **state)
{
    (void)state;
    tt_gateway_fault(gateway, 1, TT_FAULT_EXCEPTION, 0x0B, -1);
    assert_true(rig_await(0, TAUT_REASON_NO_ANSWER, 10, 5));
    int from = rig.n;
    uint64_t before = counts().requests;
    rig_run(1.0);
    uint64_t others = (uint64_t)rig_count(from, 2, TAUT_REASON_NONE);
    assert_in_range(counts().requests - before, others, others + 4);
    assert_int_equal(counts().connections, 2);
    tt_gateway_fault(gateway, 1, TT_FAULT_NONE, 0, 0);
    assert_true(rig_await(0, TAUT_REASON_NONE, 3, 10));
}

static void a_dripping_answer_holds_a_request_no_longer_than_a_missing_one(void **state)
{
    (void)state;
    struct tautd_exchange x;
    struct taut_diag diag;
    struct tautd_ask ask = {.unit = 1, .function = TAUTD_READ_INPUT, .address = 0, .value = 2};
    tt_gateway_fault(gateway, 1, TT_FAULT_DRIP, 0, 1);
    assert_int_equal(tautd_tcp_exchange(&rig.line[0], &ask, 0.8, &x, &diag), TAUT_OK);
    assert_int_equal(x.answer.reason, TAUT_REASON_BAD_FRAME);
    assert_true(x.lost);
    double took_s = 1e-9 * (double)(x.got_real_ns - x.sent_real_ns);
    assert_true(took_s > 0.75 && took_s < 1.2); /* thirteen bytes at 0.3 s would be 3.6 s */
}

static void a_slow_but_whole_answer_in_pieces_is_taken(void **state)
{
    (void)state;
    struct tautd_exchange x;
    struct taut_diag diag;
    struct tautd_ask ask = {.unit = 1, .function = TAUTD_READ_INPUT, .address = 9, .value = 1};
    tt_gateway_fault(gateway, 1, TT_FAULT_DRIP, 0, 1);
    assert_int_equal(tautd_tcp_exchange(&rig.line[0], &ask, 10, &x, &diag), TAUT_OK);
    assert_int_equal(x.answer.reason, TAUT_REASON_NONE);
    assert_int_equal(x.answer.reg[0], tt_register(1, 4, 9));
    assert_false(x.lost);
}

static void a_refused_connection_is_tried_again_until_it_comes_up(void **state)
{
    (void)state;
    tt_gateway_listen(gateway, false);
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_LINE_DOWN, 20, 5)); /* one a period, though it is tried far less often */
    assert_in_range(rig_stats(0).reconnects, 2, 8);
    assert_false(rig_stats(0).up);
    tt_gateway_listen(gateway, true);
    for (int c = 0; c < 3; c++)
        assert_true(rig_await(c, TAUT_REASON_NONE, 3, 10));
    assert_true(rig_stats(0).up);
    rig_check();
}

static void a_gateway_that_restarts_is_found_again(void **state)
{
    (void)state;
    tt_gateway_listen(gateway, false);
    assert_true(rig_await(0, TAUT_REASON_LINE_DOWN, 5, 5));
    tt_gateway_listen(gateway, true);
    for (int c = 0; c < 3; c++)
        assert_true(rig_await(c, TAUT_REASON_NONE, 3, 10));
    rig_check();
}

static void a_name_that_does_not_resolve_is_told_and_holds_up_nobody(void **state)
{
    (void)state;
    int line = rig_line(TAUTD_LINE_TCP, NULL, 502);
    int lost = rig_channel(line, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    snprintf(rig.line[line].host, sizeof rig.line[line].host, "no-such-host.invalid"); /* RFC 2606: never exists */
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_NONE, 5, 5));
    if (rig_count(0, lost, TAUT_REASON_LINE_DOWN) == 0)
        assert_true(rig_await(lost, TAUT_REASON_LINE_DOWN, 1, 10));
    int64_t before = tautd_clock_real_ns();
    rig_stop();
    assert_true(tautd_clock_real_ns() - before < 2000000000);
}

static void a_name_is_resolved_by_the_worker(void **state)
{
    (void)state;
    snprintf(rig.line[0].host, sizeof rig.line[0].host, "localhost");
    rig.line[0].timeout_s = 2;
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_NONE, 3, 10));
    rig_check();
}

static void descriptors_beyond_select_are_as_good_as_others(void **state)
{
    (void)state;
    static int taken[1100];
    struct rlimit limit;
    int n = 0;
    getrlimit(RLIMIT_NOFILE, &limit);
    if (limit.rlim_max < 1100) {
        print_message("skipped: descriptors are limited to %lu\n", (unsigned long)limit.rlim_max);
        skip();
    }
    rlim_t before = limit.rlim_cur;
    limit.rlim_cur = 1100;
    assert_int_equal(setrlimit(RLIMIT_NOFILE, &limit), 0);
    while ((taken[n] = open("/dev/null", O_RDONLY | O_CLOEXEC)) >= 0 && taken[n] < FD_SETSIZE)
        n++;
    uint16_t value = 0;
    struct taut_diag diag;
    enum taut_status status = tautd_bus_probe(&rig.line[0], 1, TAUTD_TABLE_INPUT, 0, 1, &value, &diag);
    for (int i = 0; i <= n; i++)
        close(taken[i]);
    limit.rlim_cur = before;
    setrlimit(RLIMIT_NOFILE, &limit);
    assert_int_equal(status, TAUT_OK);
    assert_int_equal(value, tt_register(1, 4, 0));
}

static void a_bus_ends_within_a_time_out_whatever_it_waits_for(void **state)
{
    (void)state;
    rig.line[0].timeout_s = 30;
    tt_gateway_fault(gateway, 0, TT_FAULT_SILENT, 0, -1);
    rig_start();
    rig_run(0.3);
    int64_t before = tautd_clock_real_ns();
    rig_stop();
    assert_true(tautd_clock_real_ns() - before < 1000000000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(each_unit_has_a_connection_of_its_own, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_missing_answer_is_told_and_the_connection_made_anew, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_late_answer_meets_a_closed_connection, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(an_answer_of_another_unit_is_a_bad_frame, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(an_answer_to_another_transaction_is_a_bad_frame, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(another_protocol_is_a_bad_frame, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_length_that_does_not_fit_is_a_bad_frame, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(an_answer_to_another_function_is_a_bad_frame, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(an_answer_with_a_register_too_many_is_a_bad_frame, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_short_answer_is_a_bad_frame, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(an_answer_sent_twice_costs_a_connection_but_no_reading, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_connection_reset_is_a_line_that_is_down, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_connection_closed_is_a_line_that_is_down, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_half_open_connection_is_noticed, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(exceptions_leave_the_connection_as_it_is, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_unit_silent_behind_its_gateway_is_left_alone_without_closing, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_dripping_answer_holds_a_request_no_longer_than_a_missing_one, setup, teardown),
        cmocka_unit_test_setup_teardown(a_slow_but_whole_answer_in_pieces_is_taken, setup, teardown),
        cmocka_unit_test_setup_teardown(a_refused_connection_is_tried_again_until_it_comes_up, setup, teardown),
        cmocka_unit_test_setup_teardown(a_gateway_that_restarts_is_found_again, setup_polling, teardown),
        cmocka_unit_test_setup_teardown(a_name_that_does_not_resolve_is_told_and_holds_up_nobody, setup, teardown),
        cmocka_unit_test_setup_teardown(a_name_is_resolved_by_the_worker, setup, teardown),
        cmocka_unit_test_setup_teardown(descriptors_beyond_select_are_as_good_as_others, setup, teardown),
        cmocka_unit_test_setup_teardown(a_bus_ends_within_a_time_out_whatever_it_waits_for, setup, teardown),
    };
    return cmocka_run_group_tests_name("tcp", tests, NULL, NULL);
}
