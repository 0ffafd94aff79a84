/** @file noise.h  What a real sensor adds to the truth: autocorrelated noise, wander, lag, quantisation, faults.
 *  For the simulator and the tests; a seeded generator, all state passed in.
 *
 *  Values are in the sensor's own unit: Pa for a pressure, K for a temperature. */
#ifndef TAUT_NOISE_H
#define TAUT_NOISE_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/sample.h"
#include "taut/status.h"

#ifdef __cplusplus
extern "C" {
#endif

/** Generator state: xoshiro256++ of Blackman and Vigna, filled by splitmix64. Treat as private. */
struct taut_random {
    uint64_t word[4];
    double spare; /* second value of a normal pair */
    bool has_spare;
};

/** Start a stream. Equal seeds give equal streams; `stream` sets apart those of one seed.  Pure. */
void taut_random_init(struct taut_random *random, uint64_t seed, uint64_t stream);
/** Next 64 bits. */
uint64_t taut_random_bits(struct taut_random *random);
/** Uniform in the open interval (0, 1). */
double taut_random_uniform(struct taut_random *random);
/** Uniform between low and high. */
double taut_random_between(struct taut_random *random, double low, double high);
/** Standard normal (polar method of Marsaglia). */
double taut_random_normal(struct taut_random *random);

/** Correlation time of noise that is AR(1) with coefficient `phi` when read every dt_s.  Pure.
 *  @param phi  0 <= phi < 1; 0 gives 0 (white) */
double taut_noise_correlation_s(double phi, double dt_s);

/** How a sensor errs while it is whole. All zero is a perfect sensor. */
struct taut_sensor_spec {
    double sd;                /* standard deviation of the autocorrelated noise */
    double correlation_s;     /* its correlation time; 0 = white: a new value at each step */
    double wander_per_sqrt_s; /* random walk of the level */
    double drift_per_s;
    double offset;
    double lag_s;   /* first-order response to the truth; 0 = at once */
    double quantum; /* smallest step of the reading; 0 = none */
};

enum taut_sensor_fault {
    TAUT_SENSOR_OK,
    TAUT_SENSOR_FROZEN,     /* repeats its last reading to the bit */
    TAUT_SENSOR_OPEN,       /* broken wire: NaN, or 3.5 mA in a loop */
    TAUT_SENSOR_SHORT,      /* short: infinity, or 21.6 mA in a loop */
    TAUT_SENSOR_STUCK,      /* reads `number` whatever the truth */
    TAUT_SENSOR_NOISY,      /* white noise of sd `number` on top */
    TAUT_SENSOR_DRIFTING,   /* runs away by `number` per s */
    TAUT_SENSOR_WORD_ORDER, /* registers swapped */
    TAUT_SENSOR_SILENT,     /* the unit does not answer */
    TAUT_SENSOR_EXCEPTION,  /* the unit answers with exception `number` */
    TAUT_SENSOR_SLOW,       /* the unit answers after `number` s of real time */
    TAUT_SENSOR_FAULTS
};

/** "ok", "frozen", "open", "short", "stuck", "noisy", "drifting", "word-order", "silent", "exception", "slow". */
const char *taut_sensor_fault_text(enum taut_sensor_fault fault);
TAUT_NODISCARD enum taut_status taut_sensor_fault_parse(const char *text, enum taut_sensor_fault *out);

/** One sensor; plain, no destroy. */
struct taut_sensor {
    struct taut_sensor_spec spec;
    enum taut_sensor_fault fault;
    double number;  /* of the fault */
    double reading; /* newest */
    /* private */
    struct taut_random random;
    bool started;
    double seen, noise, walk, runaway;
};

/** A whole sensor with its own stream of noise. */
void taut_sensor_init(struct taut_sensor *sensor, const struct taut_sensor_spec *spec, uint64_t seed, uint64_t stream);

/** Break or mend it; `number` as the fault says, else ignored.  A mended sensor follows the truth again at once. */
void taut_sensor_break(struct taut_sensor *sensor, enum taut_sensor_fault fault, double number);

/** Let dt_s pass and read.  O(1).  The noise is the exact discretisation of an Ornstein-Uhlenbeck process, so its
 *  sd and correlation time do not depend on how often it is read; its first value is already in balance.
 *  @param truth  what is there to be measured
 *  @param dt_s   >= 0; 0 repeats the reading
 *  @return       the reading (also kept); NaN when open, infinity when shorted */
double taut_sensor_step(struct taut_sensor *sensor, double truth, double dt_s);

/** What a pressure channel (float32 in mbar, plausible 0 to 1100 mbar) makes of the newest reading, without any
 *  bus between: rounded to 0.1 Pa, with quality and reason. A slow unit counts as no answer. */
struct taut_sample taut_sensor_sample(const struct taut_sensor *sensor);

/** The float32 that results when the two registers of `value` change places. */
float taut_sensor_swap_words(float value);

#ifdef __cplusplus
}
#endif
#endif
