/* The only writes there are: coils of configured outputs, when asked for. */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "rig.h"
#include "tt_gateway.h"
#include "tt_rtu_unit.h"

static struct tt_rtu *rtu;
static struct tt_gateway *gateway;

/* Output 0 on a serial line that also carries a channel, output 1 on a gateway's unit that carries nothing else. */
static int setup(void **state)
{
    (void)state;
    struct tt_rtu_options serial = {.baud = 115200, .bits = 10, .turnaround_s = 0.002, .first_unit = 1, .last_unit = 2};
    struct tt_gateway_options tcp = {.latency_s = 0.001};
    rtu = tt_rtu_start(&serial);
    gateway = tt_gateway_start(&tcp);
    rig_clear();
    rig_line(TAUTD_LINE_RTU, tt_rtu_path(rtu), 0);
    rig_line(TAUTD_LINE_TCP, NULL, tt_gateway_port(gateway));
    rig_channel(0, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    rig_channel(1, 1, TAUTD_TABLE_INPUT, 0, 0.05);
    rig_output(0, 2, 172);
    rig_output(1, 5, 3);
    rig_start();
    assert_true(rig_await(0, TAUT_REASON_NONE, 2, 5));
    assert_true(rig_await(1, TAUT_REASON_NONE, 2, 5));
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    rig_check();
    rig_stop();
    tt_rtu_stop(rtu);
    tt_gateway_stop(gateway);
    return 0;
}

static struct tt_rtu_counts serial_counts(void)
{
    struct tt_rtu_counts c;
    tt_rtu_counts(rtu, &c);
    return c;
}

static struct tt_gateway_counts tcp_counts(void)
{
    struct tt_gateway_counts c;
    tt_gateway_counts(gateway, &c);
    return c;
}

static const struct tautd_reading *outcome(int output)
{
    for (int i = rig.n - 1; i >= 0; i--)
        if (rig.seen[i].channel == -1 - output)
            return &rig.seen[i];
    return NULL;
}

static const struct tautd_reading *write_and_wait(int output, bool on)
{
    int from = rig.n;
    assert_int_equal(tautd_bus_write(rig.bus, output, on), TAUT_OK);
    for (int i = 0; i < 250; i++) {
        rig_run(0.02);
        for (int k = from; k < rig.n; k++)
            if (rig.seen[k].channel == -1 - output)
                return &rig.seen[k];
    }
    return NULL;
}

static void nothing_is_written_unasked(void **state)
{
    (void)state;
    rig_run(0.5);
    assert_int_equal(serial_counts().writes, 0);
    assert_int_equal(serial_counts().others, 0);
    assert_int_equal(tcp_counts().writes, 0);
    assert_int_equal(tcp_counts().others, 0);
    assert_null(outcome(0));
    assert_null(outcome(1));
}

static void a_coil_is_switched_once_and_the_outcome_told(void **state)
{
    (void)state;
    const struct tautd_reading *r = write_and_wait(0, true);
    assert_non_null(r);
    assert_true(r->written);
    assert_int_equal(r->quality, TAUT_QUALITY_GOOD);
    assert_true(r->number == 1.0);
    assert_int_equal(serial_counts().coil_address, 172);
    assert_int_equal(serial_counts().coil_value, 0xFF00);
    r = write_and_wait(1, false);
    assert_non_null(r);
    assert_true(r->written);
    assert_int_equal(tcp_counts().coil_address, 3);
    assert_int_equal(tcp_counts().coil_value, 0);
    assert_int_equal(serial_counts().writes, 1);
    assert_int_equal(tcp_counts().writes, 1);
    assert_int_equal(serial_counts().violations, 0);
}

/* Source: the FC 5 example of modbus_examples.csv, coil 173 (address 172) on, for unit 2. */
static void the_bytes_on_the_wire_are_the_published_ones(void **state)
{
    (void)state;
    uint8_t want[8] = {2, 0x05, 0x00, 0xAC, 0xFF, 0x00};
    uint16_t crc = tt_crc16(want, 6);
    want[6] = (uint8_t)crc;
    want[7] = (uint8_t)(crc >> 8);
    rig_stop();
    rig.config.channels = 0; /* so that the write is the last thing heard */
    rig_start();
    assert_non_null(write_and_wait(0, true));
    assert_memory_equal(serial_counts().last_request, want, 8);
}

static void one_failure_is_made_good_by_the_second_attempt(void **state)
{
    (void)state;
    tt_rtu_fault(rtu, 2, TT_FAULT_SILENT, 0, 1);
    const struct tautd_reading *r = write_and_wait(0, true);
    assert_non_null(r);
    assert_true(r->written);
    assert_int_equal(serial_counts().writes, 2);
    tt_gateway_fault(gateway, 5, TT_FAULT_RESET, 0, 1);
    r = write_and_wait(1, true);
    assert_non_null(r);
    assert_true(r->written);
    assert_int_equal(tcp_counts().writes, 2);
}

static void two_failures_are_reported_and_not_tried_for_ever(void **state)
{
    (void)state;
    tt_rtu_fault(rtu, 2, TT_FAULT_SILENT, 0, -1);
    const struct tautd_reading *r = write_and_wait(0, true);
    assert_non_null(r);
    assert_false(r->written);
    assert_int_equal(r->quality, TAUT_QUALITY_BAD);
    assert_int_equal(r->reason, TAUT_REASON_NO_ANSWER);
    rig_run(0.5);
    assert_int_equal(serial_counts().writes, 2);
}

static void an_exception_is_final(void **state)
{
    (void)state;
    tt_gateway_fault(gateway, 5, TT_FAULT_EXCEPTION, 2, -1);
    const struct tautd_reading *r = write_and_wait(1, true);
    assert_non_null(r);
    assert_false(r->written);
    assert_int_equal(r->reason, TAUT_REASON_EXCEPTION);
    assert_int_equal(r->exception, 2);
    assert_int_equal(tcp_counts().writes, 1);
}

static void a_wrong_echo_is_no_success(void **state)
{
    (void)state;
    tt_gateway_fault(gateway, 5, TT_FAULT_WRONG_UNIT, 0, -1);
    const struct tautd_reading *r = write_and_wait(1, true);
    assert_non_null(r);
    assert_false(r->written);
    assert_int_equal(r->reason, TAUT_REASON_BAD_FRAME);
}

static void a_line_that_is_down_is_told_at_once(void **state)
{
    (void)state;
    tt_rtu_unplug(rtu);
    rig_run(0.3);
    const struct tautd_reading *r = write_and_wait(0, true);
    assert_non_null(r);
    assert_false(r->written);
    assert_int_equal(r->reason, TAUT_REASON_LINE_DOWN);
}

static void an_output_that_is_not_there_is_refused(void **state)
{
    (void)state;
    assert_int_equal(tautd_bus_write(rig.bus, -1, true), TAUT_E_ARG);
    assert_int_equal(tautd_bus_write(rig.bus, 2, true), TAUT_E_ARG);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(nothing_is_written_unasked, setup, teardown),
        cmocka_unit_test_setup_teardown(a_coil_is_switched_once_and_the_outcome_told, setup, teardown),
        cmocka_unit_test_setup_teardown(the_bytes_on_the_wire_are_the_published_ones, setup, teardown),
        cmocka_unit_test_setup_teardown(one_failure_is_made_good_by_the_second_attempt, setup, teardown),
        cmocka_unit_test_setup_teardown(two_failures_are_reported_and_not_tried_for_ever, setup, teardown),
        cmocka_unit_test_setup_teardown(an_exception_is_final, setup, teardown),
        cmocka_unit_test_setup_teardown(a_wrong_echo_is_no_success, setup, teardown),
        cmocka_unit_test_setup_teardown(a_line_that_is_down_is_told_at_once, setup, teardown),
        cmocka_unit_test_setup_teardown(an_output_that_is_not_there_is_refused, setup, teardown),
    };
    return cmocka_run_group_tests_name("write", tests, NULL, NULL);
}
