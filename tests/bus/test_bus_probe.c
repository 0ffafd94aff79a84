/* One exchange outside of any bus, and the command that shows it. Float byte orders: float32_word_order.csv (IEEE 754). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <sys/wait.h>

#include <cmocka.h>

#include "rig.h"
#include "tt_gateway.h"
#include "tt_rtu_unit.h"

static struct tt_rtu *rtu;
static struct tt_gateway *gateway;
static char output[16384];

static int setup(void **state)
{
    (void)state;
    struct tt_rtu_options serial = {
        .baud = 19200, .bits = 10, .turnaround_s = 0.003, .first_unit = 1, .last_unit = 2, .registers = 200};
    struct tt_gateway_options tcp = {.registers = 200};
    rtu = tt_rtu_start(&serial);
    gateway = tt_gateway_start(&tcp);
    rig_clear();
    rig_line(TAUTD_LINE_RTU, tt_rtu_path(rtu), 0);
    rig_line(TAUTD_LINE_TCP, NULL, tt_gateway_port(gateway));
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    tt_rtu_stop(rtu);
    tt_gateway_stop(gateway);
    return 0;
}

static void registers_are_read_once_from_both_kinds_of_line(void **state)
{
    (void)state;
    struct tt_rtu_counts serial;
    for (int line = 0; line < 2; line++) {
        uint16_t got[125] = {0};
        struct taut_diag diag = {.text = ""};
        assert_int_equal(tautd_bus_probe(&rig.line[line], 1, TAUTD_TABLE_HOLDING, 7, 125, got, &diag), TAUT_OK);
        for (unsigned i = 0; i < 125; i++)
            assert_int_equal(got[i], tt_register(1, 3, 7 + i));
    }
    tt_rtu_counts(rtu, &serial);
    assert_int_equal(serial.requests, 1);
    assert_int_equal(serial.writes + serial.others, 0);
}

static void a_wrong_argument_never_reaches_the_line(void **state)
{
    (void)state;
    uint16_t got[125];
    struct taut_diag diag;
    struct tt_rtu_counts serial;
    assert_int_equal(tautd_bus_probe(&rig.line[0], 0, TAUTD_TABLE_HOLDING, 0, 1, got, &diag), TAUT_E_ARG);
    assert_int_equal(tautd_bus_probe(&rig.line[0], 248, TAUTD_TABLE_HOLDING, 0, 1, got, &diag), TAUT_E_ARG);
    assert_int_equal(tautd_bus_probe(&rig.line[0], 1, TAUTD_TABLE_HOLDING, 0, 126, got, &diag), TAUT_E_ARG);
    assert_int_equal(tautd_bus_probe(&rig.line[0], 1, TAUTD_TABLE_HOLDING, 65535, 2, got, &diag), TAUT_E_ARG);
    assert_string_equal(diag.text, "registers 65535 to 65536: 1 to 125 of 0 to 65535 can be read at once");
    tt_rtu_counts(rtu, &serial);
    assert_int_equal(serial.requests, 0);
}

static void what_was_seen_is_said(void **state)
{
    (void)state;
    uint16_t got[4];
    struct taut_diag diag;
    assert_int_equal(tautd_bus_probe(&rig.line[1], 1, TAUTD_TABLE_INPUT, 199, 2, got, &diag), TAUT_E_PEER);
    assert_string_equal(diag.text, "unit 1 answered with exception 2 (Illegal data address)");
    tt_gateway_fault(gateway, 1, TT_FAULT_EXCEPTION, 0x0B, 1);
    assert_int_equal(tautd_bus_probe(&rig.line[1], 1, TAUTD_TABLE_INPUT, 0, 2, got, &diag), TAUT_E_TIMEOUT);
    assert_string_equal(diag.text, "the gateway answers, but unit 1 behind it does not");
    tt_rtu_fault(rtu, 1, TT_FAULT_CRC, 0, 1);
    assert_int_equal(tautd_bus_probe(&rig.line[0], 1, TAUTD_TABLE_INPUT, 0, 2, got, &diag), TAUT_E_PEER);
    assert_string_equal(diag.text, "unit 1: the answer is damaged or not to this question (Invalid CRC)");
    assert_int_equal(tautd_bus_probe(&rig.line[0], 9, TAUTD_TABLE_INPUT, 0, 2, got, &diag), TAUT_E_TIMEOUT);
    assert_non_null(strstr(diag.text, "no answer from unit 9 within 0.2 s"));
    tt_rtu_unplug(rtu);
    assert_int_equal(tautd_bus_probe(&rig.line[0], 1, TAUTD_TABLE_INPUT, 0, 2, got, &diag), TAUT_E_IO);
    assert_non_null(strstr(diag.text, "no such device; is the adapter plugged in?"));
    tt_rtu_plug(rtu);
    tt_gateway_listen(gateway, false);
    assert_int_equal(tautd_bus_probe(&rig.line[1], 1, TAUTD_TABLE_INPUT, 0, 2, got, &diag), TAUT_E_IO);
    assert_non_null(strstr(diag.text, "connection refused"));
    tt_gateway_listen(gateway, true);
}

/* Run the command; its output, errors included, is in `output`.  @return exit code */
__attribute__((format(printf, 1, 2))) static int command(const char *format, ...)
{
    char arguments[400], line[800];
    va_list list;
    va_start(list, format);
    vsnprintf(arguments, sizeof arguments, format, list);
    va_end(list);
    snprintf(line, sizeof line, "%s probe %s 2>&1", TAUTCTL, arguments);
    FILE *pipe = popen(line, "r");
    assert_non_null(pipe);
    size_t n = fread(output, 1, sizeof output - 1, pipe);
    output[n] = '\0';
    return WEXITSTATUS(pclose(pipe));
}

static void the_command_shows_every_type_and_order_in_80_columns(void **state)
{
    (void)state;
    /* unit 1, input registers 6 and 7: 0x080E and 0x0811 */
    assert_int_equal(tt_register(1, 4, 6), 0x080E);
    assert_int_equal(command("rtu:%s:19200:8N1 1 6 --table input", tt_rtu_path(rtu)), 0);
    assert_non_null(strstr(output, "Unit 1, input registers 6 to 7:\n  080E 0811\n"));
    assert_non_null(strstr(output, "uint16        6 2062 p"));
    assert_non_null(strstr(output, "135137297")); /* ABCD: 0x080E0811 */
    assert_non_null(strstr(output, "135333902")); /* CDAB: 0x0811080E */
    assert_non_null(strstr(output, "235409672")); /* BADC: 0x0E081108 */
    assert_non_null(strstr(output, "285740552")); /* DCBA: 0x11080E08 */
    for (char *at = output, *end; (end = strchr(at, '\n')) != NULL; at = end + 1)
        assert_true(end - at <= 80);
}

static void the_command_tries_both_tables_and_names_the_exception(void **state)
{
    (void)state;
    assert_int_equal(command("tcp:127.0.0.1:%d 1 199", tt_gateway_port(gateway)), 1);
    assert_non_null(strstr(output, "exception 2 (Illegal data address); trying input registers"));
    assert_non_null(strstr(output, "The unit is there."));
    assert_int_equal(command("tcp:127.0.0.1:%d 1 199 --count 1", tt_gateway_port(gateway)), 0);
}

static void the_command_says_what_to_check_when_nothing_answers(void **state)
{
    (void)state;
    assert_int_equal(command("rtu:%s:19200:8N1 9 0 --timeout 0.1", tt_rtu_path(rtu)), 69);
    assert_non_null(strstr(output, "swap it once"));
    assert_non_null(strstr(output, "unit address"));
    assert_non_null(strstr(output, "120 ohm"));
    tt_rtu_fault(rtu, 1, TT_FAULT_CRC, 0, -1);
    assert_int_equal(command("rtu:%s:19200:8N1 1 0 --timeout 0.1", tt_rtu_path(rtu)), 69);
    assert_non_null(strstr(output, "Something answers."));
    assert_int_equal(command("rtu:/dev/serial/by-path/pci-0:0:1.0-port0:9600:8N1 1 0"), 69);
    assert_non_null(strstr(output, "/dev/serial/by-path/pci-0:0:1.0-port0: no such device"));
}

static void the_command_refuses_wrong_words_with_64(void **state)
{
    (void)state;
    static const char *const wrong[] = {
        "",
        "tcp:127.0.0.1:1 1",
        "tcp: 1 0",
        "tcp:127.0.0.1:0 1 0",
        "tcp:127.0.0.1:99999 1 0",
        "tcp:127.0.0.1:1 256 0",
        "tcp:127.0.0.1:1 1 65536",
        "tcp:127.0.0.1:1 1 65535",
        "tcp:127.0.0.1:1 1 0 --count 126",
        "tcp:127.0.0.1:1 1 0 --table coils",
        "tcp:127.0.0.1:1 1 0 9",
        "tcp:127.0.0.1:1 1 0 --count",
        "rtu:/dev/null 1 0",
        "rtu:/dev/null:19200:7E1 1 0",
        "rtu:/dev/null:fast:8E1 1 0",
        "rtu:/dev/null:19200:8E1 0 0",
        "rtu:/dev/null:14400:8E1 1 0",
    };
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        int code = command("%s", wrong[i]);
        if (code != 64)
            fail_msg("'%s' gave %d: %s", wrong[i], code, output);
    }
}

static void the_json_form_reads_back(void **state)
{
    (void)state;
    char line[800];
    snprintf(line, sizeof line,
             "%s probe tcp:127.0.0.1:%d 1 10 --json | /usr/bin/python3 -c 'import json,sys; d=json.load(sys.stdin); "
             "assert d[\"registers\"] == [%u, %u], d; assert len(d[\"readings\"]) == 20, d; "
             "assert {r[\"order\"] for r in d[\"readings\"]} == {\"ABCD\",\"CDAB\",\"BADC\",\"DCBA\"}'",
             TAUTCTL, tt_gateway_port(gateway), tt_register(1, 3, 10), tt_register(1, 3, 11));
    assert_int_equal(WEXITSTATUS(system(line)), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(registers_are_read_once_from_both_kinds_of_line, setup, teardown),
        cmocka_unit_test_setup_teardown(a_wrong_argument_never_reaches_the_line, setup, teardown),
        cmocka_unit_test_setup_teardown(what_was_seen_is_said, setup, teardown),
        cmocka_unit_test_setup_teardown(the_command_shows_every_type_and_order_in_80_columns, setup, teardown),
        cmocka_unit_test_setup_teardown(the_command_tries_both_tables_and_names_the_exception, setup, teardown),
        cmocka_unit_test_setup_teardown(the_command_says_what_to_check_when_nothing_answers, setup, teardown),
        cmocka_unit_test_setup_teardown(the_command_refuses_wrong_words_with_64, setup, teardown),
        cmocka_unit_test_setup_teardown(the_json_form_reads_back, setup, teardown),
    };
    return cmocka_run_group_tests_name("probe", tests, NULL, NULL);
}
