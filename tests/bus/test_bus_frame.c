/* Requests and answers byte for byte. Sources: modbus_examples.csv, modbus_exceptions.csv and modbus_limits.csv (Modbus
 * Application Protocol V1.1b3), modbus_crc16.csv (Modbus over Serial Line V1.02). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "bus/frame.h"
#include "tt_csv.h"
#include "tt_rtu_unit.h"

static int bytes_of(const char *hex, uint8_t *out)
{
    int n = 0, used;
    unsigned value;
    for (; sscanf(hex, " %2x%n", &value, &used) == 1; hex += used)
        out[n++] = (uint8_t)value;
    return n;
}

static struct tautd_ask ask_of(const uint8_t *pdu, uint8_t unit)
{
    return (struct tautd_ask){
        .unit = unit, .function = pdu[0], .address = (uint16_t)tt_get16(pdu + 1), .value = (uint16_t)tt_get16(pdu + 3)};
}

static bool ours(int function, const char *name)
{
    return (function == 3 || function == 4 || function == 5) && strstr(name, "exception") == NULL;
}

static void published_requests_are_made_byte_for_byte(void **state)
{
    (void)state;
    struct tt_csv t;
    int seen = 0;
    tt_csv_open(&t, "modbus_examples.csv");
    while (tt_csv_next(&t)) {
        if (!ours((int)tt_csv_number(&t, "function_code"), tt_csv_text(&t, "name")))
            continue;
        uint8_t want[300], got[TAUTD_FRAME_TCP], rtu[1 + TAUTD_FRAME_PDU + 2];
        bytes_of(tt_csv_text(&t, "request_pdu_hex"), want);
        struct tautd_ask ask = ask_of(want, 0xFF);
        assert_int_equal(bytes_of(tt_csv_text(&t, "request_tcp_txn0x1501_unit255_hex"), want), TAUTD_FRAME_TCP);
        tautd_frame_tcp_request(&ask, 0x1501, got);
        assert_memory_equal(got, want, TAUTD_FRAME_TCP);
        assert_int_equal(bytes_of(tt_csv_text(&t, "request_rtu_unit17_hex"), want), sizeof rtu);
        rtu[0] = 17;
        tautd_frame_request(&ask, rtu + 1);
        uint16_t crc = tt_crc16(rtu, 6);
        rtu[6] = (uint8_t)crc;
        rtu[7] = (uint8_t)(crc >> 8);
        assert_memory_equal(rtu, want, sizeof rtu);
        seen++;
    }
    tt_csv_close(&t);
    assert_int_equal(seen, 3);
}

static void published_answers_are_taken(void **state)
{
    (void)state;
    struct tt_csv t;
    int seen = 0;
    tt_csv_open(&t, "modbus_examples.csv");
    while (tt_csv_next(&t)) {
        if (!ours((int)tt_csv_number(&t, "function_code"), tt_csv_text(&t, "name")))
            continue;
        uint8_t request[300], answer[300];
        struct tautd_answer got = {.reason = TAUT_REASON_FAULTY};
        bytes_of(tt_csv_text(&t, "request_pdu_hex"), request);
        struct tautd_ask ask = ask_of(request, 0xFF);
        int n = bytes_of(tt_csv_text(&t, "response_tcp_txn0x1501_unit255_hex"), answer);
        assert_int_equal(tautd_frame_tcp_judge(&ask, 0x1501, answer, n, &got), TAUT_REASON_NONE);
        for (int i = 0; i < ask.value && ask.function != TAUTD_WRITE_COIL; i++)
            assert_int_equal(got.reg[i], tt_get16(answer + 9 + 2 * i));
        ask.unit = 17;
        n = bytes_of(tt_csv_text(&t, "response_rtu_unit17_hex"), answer);
        assert_int_equal(n, tautd_frame_rtu_answer_size(&ask));
        assert_int_equal(tautd_frame_judge(&ask, answer[0], answer + 1, n - 3, &got), TAUT_REASON_NONE);
        seen++;
    }
    tt_csv_close(&t);
    assert_int_equal(seen, 3);
}

static const struct tautd_ask two = {.unit = 9, .function = TAUTD_READ_INPUT, .address = 100, .value = 2};

/* A right answer to `two` in transaction 7. */
static int right_answer(uint8_t *adu)
{
    static const uint8_t bytes[] = {0, 7, 0, 0, 0, 7, 9, 4, 4, 0x12, 0x34, 0x56, 0x78};
    memcpy(adu, bytes, sizeof bytes);
    return sizeof bytes;
}

static void every_wrong_byte_of_the_header_is_refused(void **state)
{
    (void)state;
    uint8_t adu[20];
    struct tautd_answer got;
    int n = right_answer(adu);
    assert_int_equal(tautd_frame_tcp_judge(&two, 7, adu, n, &got), TAUT_REASON_NONE);
    assert_int_equal(got.reg[0], 0x1234);
    assert_int_equal(got.reg[1], 0x5678);
    /* transaction, protocol, length, unit, function, byte count; what follows is the value */
    for (int at = 0; at < 9; at++)
        for (int bit = 0; bit < 8; bit++) {
            right_answer(adu);
            adu[at] ^= (uint8_t)(1 << bit);
            assert_int_equal(tautd_frame_tcp_judge(&two, 7, adu, n, &got), TAUT_REASON_BAD_FRAME);
        }
}

static void an_answer_cut_or_too_long_is_refused(void **state)
{
    (void)state;
    uint8_t adu[20] = {0};
    struct tautd_answer got;
    int n = right_answer(adu);
    for (int size = 0; size < n; size++)
        assert_int_equal(tautd_frame_tcp_judge(&two, 7, adu, size, &got), TAUT_REASON_BAD_FRAME);
    assert_int_equal(tautd_frame_tcp_judge(&two, 7, adu, n + 1, &got), TAUT_REASON_BAD_FRAME);
}

static void exception_codes_are_kept_and_a_silent_target_is_no_answer(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "modbus_exceptions.csv");
    while (tt_csv_next(&t)) {
        struct tautd_answer got;
        uint8_t pdu[] = {0x84, (uint8_t)strtol(tt_csv_text(&t, "code_hex"), NULL, 16)};
        bool silent = strcmp(tt_csv_text(&t, "name"), "gateway target failed to respond") == 0;
        assert_int_equal(tautd_frame_judge(&two, 9, pdu, 2, &got), silent ? TAUT_REASON_NO_ANSWER : TAUT_REASON_EXCEPTION);
        assert_int_equal(got.exception, pdu[1]);
        assert_int_equal(tautd_frame_judge(&two, 8, pdu, 2, &got), TAUT_REASON_BAD_FRAME);
        pdu[0] = 0x83; /* exception to another function */
        assert_int_equal(tautd_frame_judge(&two, 9, pdu, 2, &got), TAUT_REASON_BAD_FRAME);
    }
    tt_csv_close(&t);
}

static void most_registers_are_those_of_the_standard(void **state)
{
    (void)state;
    struct tt_csv t;
    int seen = 0;
    tt_csv_open(&t, "modbus_limits.csv");
    while (tt_csv_next(&t))
        if (strcmp(tt_csv_text(&t, "quantity"), "FC3/FC4 max quantity") == 0) {
            assert_int_equal(atoi(tt_csv_text(&t, "value")), TAUTD_FRAME_REGISTERS_MAX);
            seen++;
        }
    tt_csv_close(&t);
    assert_int_equal(seen, 1);
}

/* The emulated units seal their frames with it and libmodbus checks it, so both are held to the published values. */
static void checksum_of_the_emulator_is_the_published_one(void **state)
{
    (void)state;
    struct tt_csv t;
    tt_csv_open(&t, "modbus_crc16.csv");
    while (tt_csv_next(&t)) {
        uint8_t bytes[64], wire[2];
        int n = bytes_of(tt_csv_text(&t, "bytes_hex"), bytes);
        uint16_t crc = tt_crc16(bytes, n);
        assert_int_equal(crc, strtol(tt_csv_text(&t, "crc_value_hex"), NULL, 16));
        assert_int_equal(bytes_of(tt_csv_text(&t, "wire_low_then_high_hex"), wire), 2);
        assert_int_equal(wire[0], crc & 0xFF);
        assert_int_equal(wire[1], crc >> 8);
    }
    tt_csv_close(&t);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(published_requests_are_made_byte_for_byte),
        cmocka_unit_test(published_answers_are_taken),
        cmocka_unit_test(every_wrong_byte_of_the_header_is_refused),
        cmocka_unit_test(an_answer_cut_or_too_long_is_refused),
        cmocka_unit_test(exception_codes_are_kept_and_a_silent_target_is_no_answer),
        cmocka_unit_test(most_registers_are_those_of_the_standard),
        cmocka_unit_test(checksum_of_the_emulator_is_the_published_one),
    };
    return cmocka_run_group_tests_name("frame", tests, NULL, NULL);
}
