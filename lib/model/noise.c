#include "taut/noise.h"

#include <assert.h>
#include <math.h>
#include <string.h>

#include "taut/units.h"

static uint64_t splitmix64(uint64_t *state)
{
    uint64_t z = *state += UINT64_C(0x9E3779B97F4A7C15);
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

void taut_random_init(struct taut_random *random, uint64_t seed, uint64_t stream)
{
    uint64_t of_stream = stream;
    uint64_t state = seed ^ splitmix64(&of_stream); /* mixed, so that seed 1 stream 2 is not seed 2 stream 1 */
    for (int i = 0; i < 4; i++)
        random->word[i] = splitmix64(&state);
    random->spare = 0;
    random->has_spare = false;
}

static uint64_t rotate_left(uint64_t x, int by)
{
    return (x << by) | (x >> (64 - by));
}

uint64_t taut_random_bits(struct taut_random *random)
{
    uint64_t *w = random->word;
    uint64_t result = rotate_left(w[0] + w[3], 23) + w[0];
    uint64_t t = w[1] << 17;
    w[2] ^= w[0];
    w[3] ^= w[1];
    w[1] ^= w[2];
    w[0] ^= w[3];
    w[2] ^= t;
    w[3] = rotate_left(w[3], 45);
    return result;
}

double taut_random_uniform(struct taut_random *random)
{
    return ((double)(taut_random_bits(random) >> 11) + 0.5) * 0x1p-53;
}

double taut_random_between(struct taut_random *random, double low, double high)
{
    return low + (high - low) * taut_random_uniform(random);
}

double taut_random_normal(struct taut_random *random)
{
    if (random->has_spare) {
        random->has_spare = false;
        return random->spare;
    }
    double x, y, square;
    do {
        x = taut_random_between(random, -1, 1);
        y = taut_random_between(random, -1, 1);
        square = x * x + y * y;
    } while (square >= 1.0 || square == 0.0);
    double scale = sqrt(-2.0 * log(square) / square);
    random->spare = y * scale;
    random->has_spare = true;
    return x * scale;
}

double taut_noise_correlation_s(double phi, double dt_s)
{
    assert(phi >= 0 && phi < 1);
    return phi > 0 ? -dt_s / log(phi) : 0;
}

static const char *const fault_words[TAUT_SENSOR_FAULTS] = {
    [TAUT_SENSOR_OK] = "ok",
    [TAUT_SENSOR_FROZEN] = "frozen",
    [TAUT_SENSOR_OPEN] = "open",
    [TAUT_SENSOR_SHORT] = "short",
    [TAUT_SENSOR_STUCK] = "stuck",
    [TAUT_SENSOR_NOISY] = "noisy",
    [TAUT_SENSOR_DRIFTING] = "drifting",
    [TAUT_SENSOR_WORD_ORDER] = "word-order",
    [TAUT_SENSOR_SILENT] = "silent",
    [TAUT_SENSOR_EXCEPTION] = "exception",
    [TAUT_SENSOR_SLOW] = "slow",
};

const char *taut_sensor_fault_text(enum taut_sensor_fault fault)
{
    return (unsigned)fault < TAUT_SENSOR_FAULTS ? fault_words[fault] : "?";
}

enum taut_status taut_sensor_fault_parse(const char *text, enum taut_sensor_fault *out)
{
    for (unsigned i = 0; i < TAUT_SENSOR_FAULTS; i++) {
        if (strcmp(text, fault_words[i]) == 0) {
            *out = (enum taut_sensor_fault)i;
            return TAUT_OK;
        }
    }
    return TAUT_E_NOENT;
}

void taut_sensor_init(struct taut_sensor *sensor, const struct taut_sensor_spec *spec, uint64_t seed, uint64_t stream)
{
    memset(sensor, 0, sizeof *sensor);
    sensor->spec = *spec;
    taut_random_init(&sensor->random, seed, stream);
}

void taut_sensor_break(struct taut_sensor *sensor, enum taut_sensor_fault fault, double number)
{
    sensor->fault = fault;
    sensor->number = number;
    sensor->runaway = 0;
}

static void move_on(struct taut_sensor *sensor, double truth, double dt_s)
{
    const struct taut_sensor_spec *spec = &sensor->spec;
    if (!sensor->started) {
        sensor->started = true;
        sensor->seen = truth;
        sensor->noise = spec->sd > 0 ? spec->sd * taut_random_normal(&sensor->random) : 0;
        return;
    }
    sensor->seen = spec->lag_s > 0 ? truth + (sensor->seen - truth) * exp(-dt_s / spec->lag_s) : truth;
    if (spec->sd > 0) {
        double phi = spec->correlation_s > 0 ? exp(-dt_s / spec->correlation_s) : 0;
        sensor->noise = phi * sensor->noise + spec->sd * sqrt(1 - phi * phi) * taut_random_normal(&sensor->random);
    }
    sensor->walk += spec->drift_per_s * dt_s;
    if (spec->wander_per_sqrt_s > 0)
        sensor->walk += spec->wander_per_sqrt_s * sqrt(dt_s) * taut_random_normal(&sensor->random);
}

static double quantised(double value, double quantum)
{
    return quantum > 0 ? quantum * nearbyint(value / quantum) : value;
}

double taut_sensor_step(struct taut_sensor *sensor, double truth, double dt_s)
{
    assert(dt_s >= 0);
    if (sensor->started && dt_s == 0)
        return sensor->reading;
    move_on(sensor, truth, dt_s);
    double value = sensor->seen + sensor->noise + sensor->walk + sensor->spec.offset;
    switch (sensor->fault) {
    case TAUT_SENSOR_FROZEN:
        return sensor->reading;
    case TAUT_SENSOR_OPEN:
        return sensor->reading = NAN;
    case TAUT_SENSOR_SHORT:
        return sensor->reading = INFINITY;
    case TAUT_SENSOR_STUCK:
        value = sensor->number;
        break;
    case TAUT_SENSOR_NOISY:
        value += sensor->number * taut_random_normal(&sensor->random);
        break;
    case TAUT_SENSOR_DRIFTING:
        sensor->runaway += sensor->number * dt_s;
        value += sensor->runaway;
        break;
    case TAUT_SENSOR_OK:
    case TAUT_SENSOR_WORD_ORDER:
    case TAUT_SENSOR_SILENT:
    case TAUT_SENSOR_EXCEPTION:
    case TAUT_SENSOR_SLOW:
    case TAUT_SENSOR_FAULTS:
        break;
    }
    return sensor->reading = quantised(value, sensor->spec.quantum);
}

float taut_sensor_swap_words(float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    bits = bits << 16 | bits >> 16;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static struct taut_sample bad(enum taut_reason reason)
{
    return (struct taut_sample){.value = NAN, .quality = TAUT_QUALITY_BAD, .reason = reason};
}

struct taut_sample taut_sensor_sample(const struct taut_sensor *sensor)
{
    if (sensor->fault == TAUT_SENSOR_SILENT || sensor->fault == TAUT_SENSOR_SLOW)
        return bad(TAUT_REASON_NO_ANSWER);
    if (sensor->fault == TAUT_SENSOR_EXCEPTION)
        return bad(TAUT_REASON_EXCEPTION);
    float mbar = (float)taut_mbar(sensor->reading);
    if (sensor->fault == TAUT_SENSOR_WORD_ORDER)
        mbar = taut_sensor_swap_words(mbar);
    if (!isfinite(mbar))
        return bad(TAUT_REASON_NOT_A_NUMBER);
    if (mbar < 0 || mbar > 1100)
        return bad(TAUT_REASON_OUT_OF_RANGE);
    return (struct taut_sample){.value = taut_sample_round_pa((double)mbar * TAUT_PA_PER_MBAR), .quality = TAUT_QUALITY_GOOD};
}
