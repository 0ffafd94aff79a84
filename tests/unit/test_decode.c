/* Registers and loop currents to pressures: IEEE 754 word orders (float32_word_order.csv), Modbus integers
 * (register_integers.csv), NAMUR NE 43 (loop_4_20mA_ne43.csv), gauge against absolute (gauge_vs_absolute.csv). */
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "taut/decode.h"
#include "taut/units.h"
#include "tt_csv.h"

static const int64_t SECOND = INT64_C(1000000000);

static struct taut_channel_spec absolute_mbar(void)
{
    return (struct taut_channel_spec){.scale = 1,
                                      .range_low = 0,
                                      .range_high = 1100,
                                      .unit_pa = 100,
                                      .loop_low_ma = 4,
                                      .loop_high_ma = 20,
                                      .fixed_ambient_pa = (double)NAN};
}

/* One conversion without a past. */
static struct taut_sample once(const struct taut_channel_spec *spec, double number, const struct taut_sample *ambient)
{
    struct taut_channel_state channel = {0};
    return taut_channel_convert(spec, &channel, 0, number, ambient);
}

static void floats_decode_in_all_four_byte_orders(void **state)
{
    (void)state;
    static const char *const columns[] = {"ABCD_big_endian", "CDAB_word_swapped", "BADC_byte_swapped", "DCBA_little_endian"};
    struct tt_csv table;
    tt_csv_open(&table, "float32_word_order.csv");
    while (tt_csv_next(&table)) {
        for (int order = 0; order < 4; order++) {
            unsigned b[4];
            assert_int_equal(sscanf(tt_csv_text(&table, columns[order]), "%x %x %x %x", &b[0], &b[1], &b[2], &b[3]), 4);
            uint16_t registers[2] = {(uint16_t)(b[0] << 8 | b[1]), (uint16_t)(b[2] << 8 | b[3])};
            double got = taut_decode_registers(registers, TAUT_REG_FLOAT32, (enum taut_reg_order)order);
            double want = tt_csv_number(&table, "nearest_float32");
            assert_true(got == want);
        }
    }
    tt_csv_close(&table);
}

static enum taut_reg_type type_by_name(const char *name)
{
    static const char *const names[] = {"uint16", "int16", "uint32", "int32"};
    for (int i = 0; i < 4; i++)
        if (strcmp(names[i], name) == 0)
            return (enum taut_reg_type)i;
    fail_msg("no type %s", name);
    return TAUT_REG_UINT16;
}

static void integers_decode_in_both_word_orders(void **state)
{
    (void)state;
    struct tt_csv table;
    tt_csv_open(&table, "register_integers.csv");
    while (tt_csv_next(&table)) {
        enum taut_reg_type type = type_by_name(tt_csv_text(&table, "type"));
        double want = tt_csv_number(&table, "value");
        unsigned r[4];
        const char *text = tt_csv_text(&table, "registers_hex");
        if (taut_decode_register_count(type) == 1) {
            assert_int_equal(sscanf(text, "%x", &r[0]), 1);
            uint16_t one = (uint16_t)r[0], swapped = (uint16_t)(r[0] << 8 | r[0] >> 8);
            assert_true(taut_decode_registers(&one, type, TAUT_ORDER_ABCD) == want);
            assert_true(taut_decode_registers(&one, type, TAUT_ORDER_CDAB) == want);
            assert_true(taut_decode_registers(&swapped, type, TAUT_ORDER_BADC) == want);
            assert_true(taut_decode_registers(&swapped, type, TAUT_ORDER_DCBA) == want);
            continue;
        }
        assert_int_equal(sscanf(text, "%x %x (high word first) / %x %x", &r[0], &r[1], &r[2], &r[3]), 4);
        uint16_t high_first[2] = {(uint16_t)r[0], (uint16_t)r[1]}, low_first[2] = {(uint16_t)r[2], (uint16_t)r[3]};
        assert_true(taut_decode_registers(high_first, type, TAUT_ORDER_ABCD) == want);
        assert_true(taut_decode_registers(low_first, type, TAUT_ORDER_CDAB) == want);
    }
    tt_csv_close(&table);
    uint16_t full[2] = {0xFFFF, 0xFFFE};
    assert_true(taut_decode_registers(full, TAUT_REG_UINT32, TAUT_ORDER_ABCD) == 4294967294.0);
}

/* Quality and reason that Taut gives to a class of the recommendation, the last good value being 123.4 mbar. */
static const struct {
    const char *class;
    enum taut_quality quality;
    enum taut_reason reason;
} loop_classes[] = {
    {"failure_low",                          TAUT_QUALITY_BAD,       TAUT_REASON_LOOP_LOW   },
    {"below_measuring_band_not_yet_failure", TAUT_QUALITY_UNCERTAIN, TAUT_REASON_UNDER_RANGE},
    {"valid_under_range",                    TAUT_QUALITY_GOOD,      TAUT_REASON_NONE       },
    {"valid",                                TAUT_QUALITY_GOOD,      TAUT_REASON_NONE       },
    {"valid_over_range",                     TAUT_QUALITY_GOOD,      TAUT_REASON_NONE       },
    {"above_measuring_band_not_yet_failure", TAUT_QUALITY_UNCERTAIN, TAUT_REASON_OVER_RANGE },
    {"failure_high",                         TAUT_QUALITY_BAD,       TAUT_REASON_LOOP_HIGH  },
};

static void check_loop_row(const struct tt_csv *table, const struct taut_channel_spec *spec, const char *column,
                           double ambient_mbar)
{
    double ma = tt_csv_number(table, "current_mA");
    struct taut_channel_state channel = {
        .last_good = {12340, TAUT_QUALITY_GOOD, TAUT_REASON_NONE}
    };
    /* the number comes in microampere, so that the scale factor takes part */
    struct taut_sample got = taut_channel_convert(spec, &channel, 0, ma * 1000, NULL);
    for (size_t i = 0; i < sizeof loop_classes / sizeof loop_classes[0]; i++) {
        if (strcmp(loop_classes[i].class, tt_csv_text(table, "class")) != 0)
            continue;
        assert_int_equal(got.quality, loop_classes[i].quality);
        assert_int_equal(got.reason, loop_classes[i].reason);
        if (got.quality == TAUT_QUALITY_GOOD)
            tt_near_abs(taut_mbar(got.value), ambient_mbar + tt_csv_number(table, column), 1e-9, column);
        else if (got.quality == TAUT_QUALITY_UNCERTAIN)
            assert_true(got.value == 12340);
        else
            assert_true(isnan(got.value));
        return;
    }
    fail_msg("%s:%d: unknown class", table->path, table->line);
}

static void loop_currents_are_classed_as_ne43_says(void **state)
{
    (void)state;
    struct taut_channel_spec absolute = absolute_mbar(), gauge = absolute_mbar();
    absolute.loop = gauge.loop = true;
    absolute.scale = gauge.scale = 0.001;
    absolute.range_high = 1000;
    gauge.range_low = -1000;
    gauge.range_high = 0;
    gauge.reference = TAUT_REFERENCE_GAUGE;
    gauge.fixed_ambient_pa = 101300;
    struct tt_csv table;
    tt_csv_open(&table, "loop_4_20mA_ne43.csv");
    while (tt_csv_next(&table)) {
        check_loop_row(&table, &absolute, "p_mbar_range_0_1000_abs", 0);
        check_loop_row(&table, &gauge, "p_mbar_range_minus1000_0_gauge", 1013);
    }
    tt_csv_close(&table);
}

static void doubtful_loop_without_a_good_past_is_bad(void **state)
{
    (void)state;
    struct taut_channel_spec spec = absolute_mbar();
    spec.loop = true;
    struct taut_sample got = once(&spec, 3.7, NULL);
    assert_int_equal(got.quality, TAUT_QUALITY_BAD);
    assert_int_equal(got.reason, TAUT_REASON_UNDER_RANGE);
    assert_true(isnan(got.value));
}

/* gauge_vs_absolute.csv: the barometer's change must not read as a rise. */
static void gauge_follows_the_barometer(void **state)
{
    (void)state;
    struct taut_channel_spec gauge = absolute_mbar(), vacuum = absolute_mbar();
    gauge.range_low = -1100;
    gauge.reference = TAUT_REFERENCE_GAUGE;
    vacuum.reference = TAUT_REFERENCE_VACUUM;
    struct tt_csv table;
    tt_csv_open(&table, "gauge_vs_absolute.csv");
    while (tt_csv_next(&table)) {
        double rise = 0;
        for (int i = 1; i <= 2; i++) {
            double g = tt_csv_number(&table, i == 1 ? "gauge1_mbar" : "gauge2_mbar");
            double want = tt_csv_number(&table, i == 1 ? "abs1_mbar" : "abs2_mbar");
            double baro = tt_csv_number(&table, i == 1 ? "baro1_mbar" : "baro2_mbar");
            struct taut_sample ambient = {baro * 100, TAUT_QUALITY_GOOD, TAUT_REASON_NONE};
            struct taut_sample a = once(&gauge, g, &ambient), b = once(&vacuum, -g, &ambient);
            assert_int_equal(a.quality, TAUT_QUALITY_GOOD);
            tt_near_abs(taut_mbar(a.value), want, 1e-9, "gauge");
            tt_near_abs(taut_mbar(b.value), want, 1e-9, "vacuum");
            rise += i == 1 ? -taut_mbar(a.value) : taut_mbar(a.value);
        }
        tt_near_abs(rise, tt_csv_number(&table, "true_rise_abs_mbar"), 1e-9, "rise");
    }
    tt_csv_close(&table);
}

static void gauge_without_usable_ambient_is_bad(void **state)
{
    (void)state;
    struct taut_channel_spec spec = absolute_mbar();
    spec.range_low = -1100;
    spec.reference = TAUT_REFERENCE_GAUGE;
    struct taut_sample none = once(&spec, -980, NULL);
    assert_int_equal(none.quality, TAUT_QUALITY_BAD);
    assert_int_equal(none.reason, TAUT_REASON_NO_AMBIENT);
    /* a wired barometer that fails is not replaced by the stated value behind the operator's back */
    spec.fixed_ambient_pa = 101325;
    struct taut_sample failed = {(double)NAN, TAUT_QUALITY_BAD, TAUT_REASON_NO_ANSWER};
    assert_int_equal(once(&spec, -980, &failed).reason, TAUT_REASON_NO_AMBIENT);
    struct taut_sample doubtful = {101300, TAUT_QUALITY_UNCERTAIN, TAUT_REASON_UNDER_RANGE};
    struct taut_sample got = once(&spec, -980, &doubtful);
    assert_int_equal(got.quality, TAUT_QUALITY_UNCERTAIN);
    assert_int_equal(got.reason, TAUT_REASON_NO_AMBIENT);
    assert_int_equal(once(&spec, -980, NULL).quality, TAUT_QUALITY_GOOD);
}

static void values_that_are_no_numbers_or_out_of_range_are_bad(void **state)
{
    (void)state;
    struct taut_channel_spec spec = absolute_mbar();
    assert_int_equal(once(&spec, (double)NAN, NULL).reason, TAUT_REASON_NOT_A_NUMBER);
    assert_int_equal(once(&spec, (double)INFINITY, NULL).reason, TAUT_REASON_NOT_A_NUMBER);
    assert_int_equal(once(&spec, 1100.5, NULL).reason, TAUT_REASON_OUT_OF_RANGE);
    assert_int_equal(once(&spec, -0.5, NULL).reason, TAUT_REASON_OUT_OF_RANGE);
    assert_int_equal(once(&spec, 1100, NULL).quality, TAUT_QUALITY_GOOD);
}

static void unchanged_bits_turn_bad_after_the_frozen_time(void **state)
{
    (void)state;
    struct taut_channel_spec spec = absolute_mbar();
    spec.frozen_s = 10;
    struct taut_channel_state channel = {0};
    for (int i = 0; i < 10; i++)
        assert_int_equal(taut_channel_convert(&spec, &channel, i * SECOND, 5.25, NULL).quality, TAUT_QUALITY_GOOD);
    struct taut_sample got = taut_channel_convert(&spec, &channel, 10 * SECOND, 5.25, NULL);
    assert_int_equal(got.quality, TAUT_QUALITY_BAD);
    assert_int_equal(got.reason, TAUT_REASON_FROZEN);
    got = taut_channel_convert(&spec, &channel, 11 * SECOND, nextafter(5.25, 6), NULL);
    assert_int_equal(got.quality, TAUT_QUALITY_GOOD);
}

static void frozen_check_is_off_when_its_time_is_zero(void **state)
{
    (void)state;
    struct taut_channel_spec spec = absolute_mbar();
    struct taut_channel_state channel = {0};
    for (int i = 0; i < 100; i++)
        assert_int_equal(taut_channel_convert(&spec, &channel, i * 3600 * SECOND, 5.25, NULL).quality, TAUT_QUALITY_GOOD);
}

static void temperatures_come_out_in_kelvin(void **state)
{
    (void)state;
    struct taut_channel_spec spec = {.quantity = TAUT_QUANTITY_TEMPERATURE,
                                     .scale = 0.1,
                                     .range_low = -20,
                                     .range_high = 200,
                                     .temperature_zero_k = TAUT_KELVIN_AT_0_DEGC};
    tt_near(once(&spec, 215, NULL).value, 294.65, 1e-15, "21.5 degC");
    assert_int_equal(once(&spec, 2015, NULL).reason, TAUT_REASON_OUT_OF_RANGE);
}

static void pressures_are_rounded_to_the_trace_resolution(void **state)
{
    (void)state;
    struct taut_channel_spec spec = absolute_mbar();
    assert_true(once(&spec, 5.12345, NULL).value == 512.3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(floats_decode_in_all_four_byte_orders),
        cmocka_unit_test(integers_decode_in_both_word_orders),
        cmocka_unit_test(loop_currents_are_classed_as_ne43_says),
        cmocka_unit_test(doubtful_loop_without_a_good_past_is_bad),
        cmocka_unit_test(gauge_follows_the_barometer),
        cmocka_unit_test(gauge_without_usable_ambient_is_bad),
        cmocka_unit_test(values_that_are_no_numbers_or_out_of_range_are_bad),
        cmocka_unit_test(unchanged_bits_turn_bad_after_the_frozen_time),
        cmocka_unit_test(frozen_check_is_off_when_its_time_is_zero),
        cmocka_unit_test(temperatures_come_out_in_kelvin),
        cmocka_unit_test(pressures_are_rounded_to_the_trace_resolution),
    };
    return cmocka_run_group_tests_name("decode", tests, NULL, NULL);
}
