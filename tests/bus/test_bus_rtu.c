/* Polling of strict units on an emulated serial line: silence between frames, values, back-off, plug pulled. */
#include <fcntl.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <sys/resource.h>
#include <sys/select.h>
#include <unistd.h>

#include <cmocka.h>

#include "bus/rtu.h"
#include "rig.h"
#include "tt_csv.h"
#include "tt_rtu_unit.h"

static struct tt_rtu *rtu;

static int setup(void **state)
{
    (void)state;
    struct tt_rtu_options options = {.baud = 115200, .bits = 10, .turnaround_s = 0.003, .first_unit = 1, .last_unit = 8};
    rtu = tt_rtu_start(&options);
    rig_clear();
    rig_line(TAUTD_LINE_RTU, tt_rtu_path(rtu), 0);
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    rig_stop();
    tt_rtu_stop(rtu);
    return 0;
}

static struct tt_rtu_counts counts(void)
{
    struct tt_rtu_counts c;
    tt_rtu_counts(rtu, &c);
    return c;
}

static void registers_arrive_with_their_values_and_times(void **state)
{
    (void)state;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    rig_channel(0, 1, TAUTD_TABLE_HOLDING, 9, 0.05);
    rig_channel(0, 8, TAUTD_TABLE_INPUT, 65535, 0.05);
    int64_t before = tautd_clock_mono_ns();
    rig_start();
    for (int c = 0; c < 3; c++)
        assert_true(rig_await(c, TAUT_REASON_NONE, 5, 5));
    rig_check();
    int64_t last = before;
    for (int i = 0; i < rig.n; i++)
        if (rig.seen[i].channel == 0) {
            assert_true(rig.seen[i].mono_ns > last);
            assert_true(rig.seen[i].half_ns > 1000000 && rig.seen[i].half_ns < 100000000); /* turnaround of 3 ms and wire */
            last = rig.seen[i].mono_ns;
        }
    assert_int_equal(counts().violations, 0);
    assert_int_equal(counts().writes, 0);
    assert_int_equal(counts().others, 0);
    assert_true(rig_stats(0).up);
    assert_true(rig_stats(0).busy_frac > 0);
}

/* Source: modbus_rtu_timing.csv (Modbus over Serial Line V1.02). */
static void silence_is_that_of_the_standard(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "modbus_rtu_timing.csv");
    while (tt_csv_next(&t)) {
        const atomic_bool stop = false;
        struct tautd_line_config line = rig.line[0];
        struct tautd_rtu port;
        struct taut_diag diag;
        double t35_us = tt_csv_number(&t, "t3_5_us");
        line.baud = (int)tt_csv_number(&t, "baud");
        line.parity = TAUTD_PARITY_EVEN;
        line.stop_bits = 0; /* one with parity: eleven bits a character */
        tautd_rtu_init(&port, &line, &stop);
        if (line.baud == 14400) { /* published, but no rate of this system: refused, not quietly 9600 */
            assert_int_equal(tautd_rtu_open(&port, &diag), TAUT_E_RANGE);
            assert_string_equal(diag.text, "line line0: 14400 baud is not a rate this system can set");
        } else {
            assert_int_equal(tautd_rtu_open(&port, &diag), TAUT_OK);
            tt_near_abs((double)port.gap_ns * 1e-3, t35_us, 0.001, "t3.5, us"); /* times are whole ns */
            tt_near_abs((double)port.char_ns * 1e-3, tt_csv_number(&t, "char_time_us_11bit"), 0.001, "character, us");
            tt_near_abs((double)tt_rtu_gap_ns(line.baud, 11) * 1e-3, t35_us, 0.001, "t3.5 of the emulator, us");
        }
        tautd_rtu_close(&port);
    }
    tt_csv_close(&t);
}

static void a_strict_unit_never_sees_a_request_too_soon(void **state)
{
    (void)state;
    for (int unit = 1; unit <= 8; unit++)
        rig_channel(0, unit, TAUTD_TABLE_INPUT, unit, 0.0001); /* as fast as the line goes */
    rig_start();
    for (int i = 0; i < 40 && counts().answered < 300; i++)
        rig_run(0.25);
    rig_check();
    assert_true(counts().answered >= 300);
    assert_int_equal(counts().violations, 0);
    assert_int_equal(rig_stats(0).timeouts, 0);
    assert_true(rig_stats(0).skipped > 0); /* what the line could not carry is counted */
}

static void a_second_program_on_the_line_is_refused(void **state)
{
    (void)state;
    uint16_t value;
    struct taut_diag diag;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_NONE, 1, 5));
    assert_int_equal(tautd_bus_probe(&rig.line[0], 1, TAUTD_TABLE_INPUT, 0, 1, &value, &diag), TAUT_E_IO);
    assert_non_null(strstr(diag.text, "another program has it open"));
}

static void a_silent_unit_is_left_alone_and_found_again_while_its_neighbours_go_on(void **state)
{
    (void)state;
    for (int unit = 1; unit <= 8; unit++)
        rig_channel(0, unit, TAUTD_TABLE_INPUT, unit, 0.1);
    rig_start();
    assert_true(rig_await(3, TAUT_REASON_NONE, 3, 5));
    tt_rtu_fault(rtu, 4, TT_FAULT_SILENT, 0, -1);
    assert_true(rig_await(3, TAUT_REASON_NO_ANSWER, 3, 5));
    rig_run(1.0);
    int from = rig.n;
    uint64_t asked = rig_stats(0).requests;
    rig_run(3.0);
    /* a bad reading each period, though it is hardly asked; the others miss next to nothing */
    assert_in_range(rig_count(from, 3, TAUT_REASON_NO_ANSWER), 20, 31);
    for (int c = 0; c < 8; c++)
        if (c != 3)
            assert_true(rig_count(from, c, TAUT_REASON_NONE) >= 24);
    asked = rig_stats(0).requests - asked - (uint64_t)rig_count(from, -1, TAUT_REASON_NONE);
    assert_in_range(asked, 1, 5);
    tt_rtu_fault(rtu, 4, TT_FAULT_NONE, 0, 0);
    assert_true(rig_await(3, TAUT_REASON_NONE, 1, 10)); /* within 10 s */
    assert_true(rig_await(3, TAUT_REASON_NONE, 5, 2));
    rig_check();
    assert_int_equal(counts().violations, 0);
}

static void a_plug_pulled_is_seen_at_once_and_found_back_when_plugged_in(void **state)
{
    (void)state;
    struct tt_rtu_options options = {.baud = 115200, .bits = 10, .turnaround_s = 0.003, .first_unit = 1, .last_unit = 1};
    struct tt_rtu *other = tt_rtu_start(&options);
    int line = rig_line(TAUTD_LINE_RTU, tt_rtu_path(other), 0);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.1);
    rig_channel(line, 1, TAUTD_TABLE_INPUT, 0, 0.1);
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_NONE, 3, 5));
    int64_t pulled = tautd_clock_mono_ns();
    tt_rtu_unplug(rtu);
    assert_true(rig_await(0, TAUT_REASON_LINE_DOWN, 5, 5));
    assert_false(rig_stats(0).up);
    for (int i = 0; i < rig.n; i++) /* never as a mere silence, never late */
        if (rig.seen[i].channel == 0 && rig.seen[i].reason == TAUT_REASON_LINE_DOWN) {
            assert_true(rig.seen[i].mono_ns - pulled < 1000000000);
            break;
        }
    rig_run(1.5);
    tt_rtu_plug(rtu);
    assert_true(rig_await(0, TAUT_REASON_NONE, 3, 5));
    assert_true(rig_stats(0).up);
    assert_true(rig_stats(line).up);
    assert_int_equal(rig_count(0, 1, TAUT_REASON_LINE_DOWN), 0); /* the other line has not noticed */
    assert_int_equal(rig_count(0, 1, TAUT_REASON_NO_ANSWER), 0);
    rig_check();
    rig_stop();
    tt_rtu_stop(other);
}

static void a_device_that_is_not_there_at_the_start_is_used_when_it_comes(void **state)
{
    (void)state;
    tt_rtu_unplug(rtu);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.1);
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_LINE_DOWN, 5, 5));
    tt_rtu_plug(rtu);
    assert_true(rig_await(0, TAUT_REASON_NONE, 3, 5));
    rig_check();
}

static void a_unit_that_refuses_the_gaps_is_asked_without_them(void **state)
{
    (void)state;
    rig_stop();
    tt_rtu_stop(rtu);
    struct tt_rtu_options options = {.baud = 115200, .bits = 10, .first_unit = 1, .last_unit = 1, .registers = 21};
    rtu = tt_rtu_start(&options);
    rig_clear();
    rig_line(TAUTD_LINE_RTU, tt_rtu_path(rtu), 0);
    rig.line[0].gap_registers = 4;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 20, 0.05); /* padded to two registers to be told apart; the second is not there */
    rig_start();
    assert_true(rig_await(1, TAUT_REASON_NONE, 3, 5));
    assert_true(rig_await(0, TAUT_REASON_NONE, 3, 5));
    assert_in_range(rig_count(0, -1, TAUT_REASON_EXCEPTION), 1, 2);
    rig_check();
}

static void a_descriptor_beyond_select_is_refused_and_not_fatal(void **state)
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
    while ((taken[n] = open("/dev/null", O_RDONLY | O_CLOEXEC)) >= 0 && taken[n] < FD_SETSIZE - 1)
        n++;
    uint16_t value;
    struct taut_diag diag;
    enum taut_status status = tautd_bus_probe(&rig.line[0], 1, TAUTD_TABLE_INPUT, 0, 1, &value, &diag);
    for (int i = 0; i <= n; i++)
        close(taken[i]);
    limit.rlim_cur = before;
    setrlimit(RLIMIT_NOFILE, &limit);
    assert_int_equal(status, TAUT_E_IO);
    assert_non_null(strstr(diag.text, "is beyond the 1024 that libmodbus can wait for"));
}

static void a_faster_clock_polls_as_often_as_daemon_time_says(void **state)
{
    (void)state;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 1.0);
    tautd_clock_set_factor(20); /* a period of 50 ms real time */
    rig_start();
    bool enough = rig_await(0, TAUT_REASON_NONE, 20, 5);
    int first = -1, last = -1, n = 0;
    for (int i = 0; i < rig.n; i++) {
        first = first < 0 ? i : first;
        last = i;
        n++;
    }
    rig_stop();
    tautd_clock_set_factor(1);
    assert_true(enough);
    double span_s = 1e-9 * (double)(rig.seen[last].mono_ns - rig.seen[first].mono_ns);
    assert_true(span_s > n - 4 && span_s < 2 * n); /* about one a second of daemon time */
}

static void a_bus_ends_within_a_time_out_whatever_it_waits_for(void **state)
{
    (void)state;
    rig.line[0].timeout_s = 1.0;
    rig.line[0].settle_s = 1.0;
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    tt_rtu_fault(rtu, 0, TT_FAULT_SILENT, 0, -1);
    rig_start();
    rig_run(0.3);
    int64_t before = tautd_clock_real_ns();
    rig_stop();
    assert_true(tautd_clock_real_ns() - before < 2000000000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(registers_arrive_with_their_values_and_times, setup, teardown),
        cmocka_unit_test_setup_teardown(silence_is_that_of_the_standard, setup, teardown),
        cmocka_unit_test_setup_teardown(a_strict_unit_never_sees_a_request_too_soon, setup, teardown),
        cmocka_unit_test_setup_teardown(a_second_program_on_the_line_is_refused, setup, teardown),
        cmocka_unit_test_setup_teardown(a_silent_unit_is_left_alone_and_found_again_while_its_neighbours_go_on, setup, teardown),
        cmocka_unit_test_setup_teardown(a_plug_pulled_is_seen_at_once_and_found_back_when_plugged_in, setup, teardown),
        cmocka_unit_test_setup_teardown(a_device_that_is_not_there_at_the_start_is_used_when_it_comes, setup, teardown),
        cmocka_unit_test_setup_teardown(a_unit_that_refuses_the_gaps_is_asked_without_them, setup, teardown),
        cmocka_unit_test_setup_teardown(a_descriptor_beyond_select_is_refused_and_not_fatal, setup, teardown),
        cmocka_unit_test_setup_teardown(a_faster_clock_polls_as_often_as_daemon_time_says, setup, teardown),
        cmocka_unit_test_setup_teardown(a_bus_ends_within_a_time_out_whatever_it_waits_for, setup, teardown),
    };
    return cmocka_run_group_tests_name("rtu", tests, NULL, NULL);
}
