/** @file decode.h  From what a device sends (registers, counts, loop current) to an absolute pressure or a
 *  temperature with a quality.
 *
 *  Three things are kept apart: how the bytes encode a number (type, order), what the number means (unit,
 *  reference, scale), and how far it may be believed (range, NE 43, frozen, uncertainty). */
#ifndef TAUT_DECODE_H
#define TAUT_DECODE_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/limits.h"
#include "taut/sample.h"
#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

enum taut_reg_type { TAUT_REG_UINT16, TAUT_REG_INT16, TAUT_REG_UINT32, TAUT_REG_INT32, TAUT_REG_FLOAT32 };

/** Order of the four bytes A (most significant) to D on the wire. For one-register types only ABCD and BADC
 *  (bytes swapped) differ; CDAB counts as ABCD and DCBA as BADC. */
enum taut_reg_order { TAUT_ORDER_ABCD, TAUT_ORDER_CDAB, TAUT_ORDER_BADC, TAUT_ORDER_DCBA };

/** 1 or 2. */
int taut_decode_register_count(enum taut_reg_type type);

/** Number in one or two registers, as Modbus hands them over (each register big-endian on the wire, given here
 *  in host order).  Pure.  A float NaN or infinity is returned as such.
 *  Source: Modbus Application Protocol V1.1b3; IEEE 754. */
double taut_decode_registers(const uint16_t *registers, enum taut_reg_type type, enum taut_reg_order order);

enum taut_reference {
    TAUT_REFERENCE_ABSOLUTE,
    TAUT_REFERENCE_GAUGE, /* to ambient: negative under vacuum */
    TAUT_REFERENCE_VACUUM /* below ambient: positive under vacuum */
};
enum taut_quantity { TAUT_QUANTITY_PRESSURE, TAUT_QUANTITY_TEMPERATURE };

/** Where the number comes from and how it becomes a value. All fields are checked by the configuration. */
struct taut_channel_spec {
    char name[TAUT_NAME_MAX];
    enum taut_quantity quantity;
    enum taut_reference reference;
    bool loop;                 /* the number is a loop current in mA (after scale and offset), judged by NE 43 */
    double scale, offset;      /* number * scale + offset = engineering value (or mA) */
    double loop_low_ma;        /* 4 */
    double loop_high_ma;       /* 20 */
    double range_low;          /* engineering value at loop_low_ma, and least plausible value; in the channel's unit */
    double range_high;         /* engineering value at loop_high_ma, and greatest plausible value */
    double unit_pa;            /* pascal per engineering unit (pressure) */
    double temperature_zero_k; /* added after scale: 273.15 for degC, 0 for K (temperature) */
    double resolution_pa;      /* smallest step of the reading, Pa; 0 when not known */
    double u_pa;               /* standard uncertainty of calibration, Pa (K for a temperature) */
    double drift_pa_per_s;     /* stated bound of the sensor's own drift while a test runs */
    double frozen_s;           /* bad when not one bit changes for so long; 0 switches this off */
    double stale_s;            /* bad when no good answer came for so long */
    double fixed_ambient_pa;   /* ambient to use when no barometer is wired; NaN when none is stated */
    double u_ambient_pa;       /* its standard uncertainty */
};

/** What a channel remembers between readings: for the frozen check and for a loop between its limits. */
struct taut_channel_state {
    bool seen;
    double last_number;
    int64_t changed_ns; /* when a bit last changed */
    struct taut_sample last_good;
};

/** Convert one good transfer to a value.   Pure; the state is the caller's.
 *  @param spec     checked specification
 *  @param state    zeroed before the first call; updated
 *  @param t_ns     time of the reading, any epoch, never decreasing
 *  @param number   as decoded, before scale and offset
 *  @param ambient  barometer reading now, or NULL: then the fixed ambient is used for gauge and vacuum references
 *  @return         value in absolute Pa (rounded to 0.1 Pa) or K; NaN when bad.
 *  Between the NE 43 limits (3.6 to 3.8, 20.5 to 21 mA) the value is uncertain and the last good one is held.
 *  Source: NAMUR NE 43; IEC 60381-1 (tests/reference/loop_4_20mA_ne43.csv). */
struct taut_sample taut_channel_convert(const struct taut_channel_spec *spec, struct taut_channel_state *state, int64_t t_ns,
                                        double number, const struct taut_sample *ambient);

#ifdef __cplusplus
}
#endif
#endif
