/* The simulator's side of Modbus against the examples of the Modbus Application Protocol V1.1b3, byte for byte, and the
 * CRC of Modbus over Serial Line V1.02 (tests/reference/modbus_examples.csv, modbus_crc16.csv). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tautsim/modbus.h"
#include "tt_csv.h"

enum { SERIAL_UNIT = 17, TCP_UNIT = 255, OPEN_BAG = 0, CLOSED_BAG = 1 };

static size_t bytes_of(const char *hex, uint8_t *out)
{
    size_t n = 0;
    unsigned byte;
    for (int used; sscanf(hex, "%x%n", &byte, &used) == 1; hex += used)
        out[n++] = (uint8_t)byte;
    return n;
}

static void add_register(struct tautsim_scenario *s, int unit, int table, int reg)
{
    struct tautsim_sensor_spec *sensor = &s->sensor[s->sensors++];
    *sensor = (struct tautsim_sensor_spec){.bag_index = -1,
                                           .at = TAUTSIM_AT_AMBIENT,
                                           .unit = unit,
                                           .table = table,
                                           .reg = reg,
                                           .type = TAUT_REG_UINT16,
                                           .unit_pa = 1,
                                           .scale = 1};
}

static void add_bits(struct tautsim_scenario *s, int unit, int first, int count, const char *hex)
{
    uint8_t bytes[8];
    bytes_of(hex, bytes);
    for (int i = 0; i < count; i++) {
        bool on = (bytes[i / 8] >> (i % 8) & 1) != 0;
        s->valve[s->valves++] = (struct tautsim_valve_spec){
            .bag_index = on ? OPEN_BAG : CLOSED_BAG, .unit = unit, .coil = first + i, .active_high = 1};
    }
}

/* The device of the document's examples, as a bench. */
static struct tautsim_bench *example_device(struct tautsim_scenario *s)
{
    memset(s, 0, sizeof *s);
    s->tick_s = 0.1;
    s->pump = (struct taut_pump_spec){.manifold_m3 = 1e-3};
    s->ambient.pressure_pa = 1e5;
    s->ambient.temperature_k = 293;
    s->gateways = 1;
    s->bags = 2;
    s->bag[OPEN_BAG] = (struct tautsim_bag_spec){.name = "open", .volume_m3 = 1e-3, .release_s = 1, .fill_s = 1, .valve_open = 1};
    s->bag[CLOSED_BAG] = (struct tautsim_bag_spec){.name = "closed", .volume_m3 = 1e-3, .release_s = 1, .fill_s = 1};
    const int units[] = {SERIAL_UNIT, TCP_UNIT};
    for (int u = 0; u < 2; u++) {
        add_bits(s, units[u], 0x13, 19, "CD 6B 05");
        add_bits(s, units[u], 0xC4, 22, "AC DB 35");
        add_bits(s, units[u], 0xAC, 1, "00");
        for (int r = 107; r <= 109; r++)
            add_register(s, units[u], TAUTSIM_TABLE_HOLDING, r);
        add_register(s, units[u], TAUTSIM_TABLE_INPUT, 8);
    }
    struct tautsim_bench *bench = tautsim_bench_new(s, 1);
    assert_non_null(bench);
    static const double values[] = {555, 0, 100, 10};
    for (int i = 0; i < s->sensors; i++) {
        taut_sensor_break(&bench->sensor[i], TAUT_SENSOR_STUCK, values[i % 4]);
        taut_sensor_step(&bench->sensor[i], 0, 1);
    }
    return bench;
}

static void same_bytes(const uint8_t *got, size_t got_n, const char *want_hex, const char *what)
{
    uint8_t want[300];
    size_t n = bytes_of(want_hex, want);
    if (n != got_n || memcmp(got, want, n) != 0) {
        char text[1024] = "";
        for (size_t i = 0; i < got_n && i < 100; i++)
            snprintf(text + strlen(text), sizeof text - strlen(text), "%02X ", got[i]);
        fail_msg("%s: got %s, want %s", what, text, want_hex);
    }
}

/* Functions 6, 16 and 23 would write registers; no register of the bench can be written. */
static bool served(int function, const char *meaning)
{
    return (function >= 1 && function <= 5) || function == 15 || strstr(meaning, "illegal") != NULL;
}

static void the_published_examples_are_answered_byte_for_byte(void **state)
{
    (void)state;
    static struct tautsim_scenario scenario;
    struct tt_csv table;
    int checked = 0;
    tt_csv_open(&table, "modbus_examples.csv");
    while (tt_csv_next(&table)) {
        const char *meaning = tt_csv_text(&table, "meaning");
        if (!served((int)tt_csv_number(&table, "function_code"), meaning))
            continue;
        struct tautsim_bench *bench = example_device(&scenario);
        uint8_t request[300], answer[300];
        double delay_s;
        size_t n = bytes_of(tt_csv_text(&table, "request_rtu_unit17_hex"), request);
        assert_int_equal(tautsim_modbus_serial_length(request, n), n);
        size_t got = tautsim_modbus_serial(bench, 0, request, n, answer, &delay_s);
        same_bytes(answer, got, tt_csv_text(&table, "response_rtu_unit17_hex"), meaning);
        n = bytes_of(tt_csv_text(&table, "request_tcp_txn0x1501_unit255_hex"), request);
        assert_int_equal(tautsim_modbus_tcp_length(request, n), n);
        got = tautsim_modbus_tcp(bench, 0, request, n, answer, &delay_s);
        same_bytes(answer, got, tt_csv_text(&table, "response_tcp_txn0x1501_unit255_hex"), meaning);
        tautsim_bench_free(bench);
        checked++;
    }
    tt_csv_close(&table);
    assert_true(checked >= 7);
}

static void the_crc_is_the_published_one(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "modbus_crc16.csv");
    while (tt_csv_next(&table)) {
        uint8_t bytes[64];
        size_t n = bytes_of(tt_csv_text(&table, "bytes_hex"), bytes);
        assert_int_equal(tautsim_modbus_crc(bytes, n), strtol(tt_csv_text(&table, "crc_value_hex"), NULL, 16));
    }
    tt_csv_close(&table);
}

static void a_damaged_or_foreign_serial_frame_gets_no_answer(void **state)
{
    (void)state;
    static struct tautsim_scenario scenario;
    struct tautsim_bench *bench = example_device(&scenario);
    uint8_t request[300], answer[300];
    double delay_s;
    size_t n = bytes_of("11 04 00 08 00 01 B2 98", request);
    assert_true(tautsim_modbus_serial(bench, 0, request, n, answer, &delay_s) > 0);
    for (size_t bit = 0; bit < 8 * n; bit++) {
        request[bit / 8] ^= (uint8_t)(1u << bit % 8);
        assert_int_equal(tautsim_modbus_serial(bench, 0, request, n, answer, &delay_s), 0);
        request[bit / 8] ^= (uint8_t)(1u << bit % 8);
    }
    request[0] = 18; /* nobody there, right CRC */
    uint16_t crc = tautsim_modbus_crc(request, n - 2);
    request[n - 2] = (uint8_t)crc;
    request[n - 1] = (uint8_t)(crc >> 8);
    assert_int_equal(tautsim_modbus_serial(bench, 0, request, n, answer, &delay_s), 0);
    tautsim_bench_free(bench);
}

static void what_can_not_be_done_gets_the_exception_of_the_document(void **state)
{
    (void)state;
    static const struct {
        const char *request, *answer, *why;
    } cases[] = {
        {"04 00 07 00 7E",          "84 03",                   "126 registers"            },
        {"04 00 07 00 00",          "84 03",                   "none"                     },
        {"04 00 08",                "84 03",                   "short"                    },
        {"04 00 09 00 01",          "84 02",                   "no such register"         },
        {"04 00 07 00 03",          "04 06 00 00 00 0A 00 00", "holes read 0"             },
        {"05 00 AC 12 34",          "85 03",                   "neither on nor off"       },
        {"05 00 AD FF 00",          "85 02",                   "no such coil"             },
        {"0F 00 13 00 0A 01 CD 01", "8F 03",                   "byte count does not match"},
        {"06 00 6B 00 01",          "86 02",                   "registers are read-only"  },
        {"10 00 6B 00 01 02 00 00", "90 02",                   "registers are read-only"  },
        {"2B 0E 01 00",             "AB 01",                   "unknown function"         },
        {"01 00 13 07 D1",          "81 03",                   "2001 coils"               },
    };
    static struct tautsim_scenario scenario;
    struct tautsim_bench *bench = example_device(&scenario);
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        uint8_t request[64], answer[300];
        double delay_s;
        size_t n = bytes_of(cases[i].request, request);
        size_t got = tautsim_modbus_answer(bench, 0, SERIAL_UNIT, request, n, answer, &delay_s);
        same_bytes(answer, got, cases[i].answer, cases[i].why);
    }
    tautsim_bench_free(bench);
}

static void lengths_are_told_from_the_first_bytes(void **state)
{
    (void)state;
    uint8_t bytes[16];
    bytes_of("11 0F 00 13 00 0A 02", bytes);
    assert_int_equal(tautsim_modbus_serial_length(bytes, 1), 0);
    assert_int_equal(tautsim_modbus_serial_length(bytes, 6), 0);
    assert_int_equal(tautsim_modbus_serial_length(bytes, 7), 11);
    bytes_of("11 63", bytes);
    assert_true(tautsim_modbus_serial_length(bytes, 2) == SIZE_MAX);
    bytes_of("15 01 00 00 00 06 FF", bytes);
    assert_int_equal(tautsim_modbus_tcp_length(bytes, 6), 0);
    assert_int_equal(tautsim_modbus_tcp_length(bytes, 7), 12);
    bytes_of("15 01 00 01 00 06 FF", bytes); /* not the Modbus protocol */
    assert_true(tautsim_modbus_tcp_length(bytes, 7) == SIZE_MAX);
    bytes_of("15 01 00 00 01 06 FF", bytes); /* longer than any request */
    assert_true(tautsim_modbus_tcp_length(bytes, 7) == SIZE_MAX);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_published_examples_are_answered_byte_for_byte),
        cmocka_unit_test(the_crc_is_the_published_one),
        cmocka_unit_test(a_damaged_or_foreign_serial_frame_gets_no_answer),
        cmocka_unit_test(what_can_not_be_done_gets_the_exception_of_the_document),
        cmocka_unit_test(lengths_are_told_from_the_first_bytes),
    };
    return cmocka_run_group_tests_name("modbus", tests, NULL, NULL);
}
