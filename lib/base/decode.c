#include "taut/decode.h"

#include <math.h>
#include <string.h>

#include "taut/units.h"

/* NAMUR NE 43. A current that has gone through a scale factor may be off in its last bit: the slack sends the
 * edge cases to the class that the recommendation names. */
#define LOOP_FAILURE_LOW_MA  3.6
#define LOOP_MEASURE_LOW_MA  3.8
#define LOOP_MEASURE_HIGH_MA 20.5
#define LOOP_FAILURE_HIGH_MA 21.0
#define LOOP_SLACK_MA        1e-9

int taut_decode_register_count(enum taut_reg_type type)
{
    return type == TAUT_REG_UINT16 || type == TAUT_REG_INT16 ? 1 : 2;
}

static uint16_t swap_bytes(uint16_t v)
{
    return (uint16_t)((unsigned)v << 8 | v >> 8);
}

static double signed_value(uint32_t bits, int width)
{
    double full = width == 16 ? 65536.0 : 4294967296.0;
    double v = (double)bits;
    return v < full / 2 ? v : v - full;
}

double taut_decode_registers(const uint16_t *registers, enum taut_reg_type type, enum taut_reg_order order)
{
    bool bytes_swapped = order == TAUT_ORDER_BADC || order == TAUT_ORDER_DCBA;
    bool words_swapped = order == TAUT_ORDER_CDAB || order == TAUT_ORDER_DCBA;
    if (taut_decode_register_count(type) == 1) {
        uint16_t v = bytes_swapped ? swap_bytes(registers[0]) : registers[0];
        return type == TAUT_REG_INT16 ? signed_value(v, 16) : (double)v;
    }
    uint16_t high = registers[words_swapped ? 1 : 0], low = registers[words_swapped ? 0 : 1];
    if (bytes_swapped) {
        high = swap_bytes(high);
        low = swap_bytes(low);
    }
    uint32_t bits = (uint32_t)high << 16 | low;
    if (type == TAUT_REG_UINT32)
        return (double)bits;
    if (type == TAUT_REG_INT32)
        return signed_value(bits, 32);
    float f;
    memcpy(&f, &bits, sizeof f);
    return (double)f;
}

static struct taut_sample bad(enum taut_reason reason)
{
    return (struct taut_sample){.value = NAN, .quality = TAUT_QUALITY_BAD, .reason = reason};
}

/* Same bits, not same value: a NaN that stays is frozen too. */
static bool same_bits(double a, double b)
{
    return memcmp(&a, &b, sizeof a) == 0;
}

static bool is_frozen(const struct taut_channel_spec *spec, struct taut_channel_state *state, int64_t t_ns, double number)
{
    if (!state->seen || !same_bits(number, state->last_number)) {
        state->seen = true;
        state->last_number = number;
        state->changed_ns = t_ns;
        return false;
    }
    return spec->frozen_s > 0 && taut_seconds(t_ns - state->changed_ns) >= spec->frozen_s;
}

static enum taut_reason judge_loop(double ma)
{
    if (ma <= LOOP_FAILURE_LOW_MA + LOOP_SLACK_MA)
        return TAUT_REASON_LOOP_LOW;
    if (ma >= LOOP_FAILURE_HIGH_MA - LOOP_SLACK_MA)
        return TAUT_REASON_LOOP_HIGH;
    if (ma < LOOP_MEASURE_LOW_MA - LOOP_SLACK_MA)
        return TAUT_REASON_UNDER_RANGE;
    if (ma > LOOP_MEASURE_HIGH_MA + LOOP_SLACK_MA)
        return TAUT_REASON_OVER_RANGE;
    return TAUT_REASON_NONE;
}

static double loop_engineering(const struct taut_channel_spec *spec, double ma)
{
    double span_frac = (ma - spec->loop_low_ma) / (spec->loop_high_ma - spec->loop_low_ma);
    return spec->range_low + span_frac * (spec->range_high - spec->range_low);
}

/* What a gauge or vacuum reading is relative to; quality and reason tell how far it may be believed. */
static struct taut_sample ambient_for(const struct taut_channel_spec *spec, const struct taut_sample *ambient)
{
    if (!ambient && isfinite(spec->fixed_ambient_pa))
        return (struct taut_sample){.value = spec->fixed_ambient_pa, .quality = TAUT_QUALITY_GOOD};
    if (!ambient || ambient->quality == TAUT_QUALITY_BAD || !isfinite(ambient->value))
        return bad(TAUT_REASON_NO_AMBIENT);
    struct taut_sample used = *ambient;
    used.reason = used.quality == TAUT_QUALITY_GOOD ? TAUT_REASON_NONE : TAUT_REASON_NO_AMBIENT;
    return used;
}

static struct taut_sample to_si(const struct taut_channel_spec *spec, double engineering, const struct taut_sample *ambient)
{
    struct taut_sample out = {.quality = TAUT_QUALITY_GOOD};
    if (spec->quantity == TAUT_QUANTITY_TEMPERATURE) {
        out.value = engineering + spec->temperature_zero_k;
        return out;
    }
    double pa = engineering * spec->unit_pa;
    if (spec->reference != TAUT_REFERENCE_ABSOLUTE) {
        out = ambient_for(spec, ambient);
        pa = spec->reference == TAUT_REFERENCE_GAUGE ? out.value + pa : out.value - pa;
    }
    out.value = taut_sample_round_pa(pa);
    return out;
}

struct taut_sample taut_channel_convert(const struct taut_channel_spec *spec, struct taut_channel_state *state, int64_t t_ns,
                                        double number, const struct taut_sample *ambient)
{
    bool frozen = is_frozen(spec, state, t_ns, number);
    double engineering = number * spec->scale + spec->offset;
    if (!isfinite(engineering))
        return bad(TAUT_REASON_NOT_A_NUMBER);
    if (spec->loop) {
        enum taut_reason reason = judge_loop(engineering);
        if (reason == TAUT_REASON_LOOP_LOW || reason == TAUT_REASON_LOOP_HIGH)
            return bad(reason);
        if (reason != TAUT_REASON_NONE) {
            if (state->last_good.quality != TAUT_QUALITY_GOOD)
                return bad(reason);
            return (struct taut_sample){state->last_good.value, TAUT_QUALITY_UNCERTAIN, reason};
        }
        engineering = loop_engineering(spec, engineering);
    } else if (engineering < spec->range_low || engineering > spec->range_high) {
        return bad(TAUT_REASON_OUT_OF_RANGE);
    }
    if (frozen)
        return bad(TAUT_REASON_FROZEN);
    struct taut_sample out = to_si(spec, engineering, ambient);
    if (out.quality == TAUT_QUALITY_GOOD)
        state->last_good = out;
    return out;
}
