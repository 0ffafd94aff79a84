/** @file bench.h  The simulated bench at work: physics, sensors, coils and faults, moved on by ticks.
 *
 *  All that happens is a function of scenario, seed and the simulated times at which commands come: the state
 *  moves in whole ticks however often it is asked. No clock, no files. Single thread. */
#ifndef TAUTSIM_BENCH_H
#define TAUTSIM_BENCH_H

#include <stdbool.h>
#include <stdint.h>

#include "scenario.h"
#include "taut/bag.h"
#include "taut/noise.h"

enum { TAUTSIM_UNIT_FAULTS_MAX = 64, TAUTSIM_REGISTERS_MAX = 125, TAUTSIM_SILENT = -1 };

/** A unit that misbehaves as a whole: silent, exception or slow. */
struct tautsim_unit_fault {
    int gateway, unit;
    enum taut_sensor_fault fault;
    double number;
};

struct tautsim_bench {
    const struct tautsim_scenario *borrowed_scenario; /* until the bench is freed */
    struct taut_bench physics;
    struct taut_sensor sensor[TAUTSIM_SENSORS_MAX];
    bool coil[TAUTSIM_VALVES_MAX]; /* as last written */
    int64_t ticks;                 /* done */
    int next_event;
    struct taut_random weather;
    double ambient_drift_pa_per_s, ambient_wander_pa, temperature_drift_k_per_s;
    bool quiet;                              /* sensors without noise */
    bool gateway_down[TAUTSIM_GATEWAYS_MAX]; /* for the server: no connections */
    bool serial_down;                        /* for the server: the adapter is unplugged */
    int unit_faults;
    struct tautsim_unit_fault unit_fault[TAUTSIM_UNIT_FAULTS_MAX];
};

/** @return NULL only for want of memory */
struct tautsim_bench *tautsim_bench_new(const struct tautsim_scenario *scenario, uint64_t seed);
void tautsim_bench_free(struct tautsim_bench *bench);

/** Simulated time of the newest state. */
double tautsim_bench_seconds(const struct tautsim_bench *bench);

/** Move on to simulated time `seconds`, at most `ticks_most` ticks.
 *  @return true when it got there */
bool tautsim_bench_advance(struct tautsim_bench *bench, double seconds, int64_t ticks_most);

/** Put a new dry bag at ambient pressure in place of bag `index`, as the scenario describes it. */
void tautsim_bench_renew_bag(struct tautsim_bench *bench, int index);

/** What a perfect sensor would read: Pa against the sensor's reference, or K. */
double tautsim_bench_truth(const struct tautsim_bench *bench, int sensor);

/** The newest reading as the engineering value it stands for (NaN open, infinity shorted). */
double tautsim_bench_engineering(const struct tautsim_bench *bench, int sensor);

/** Registers as unit `unit` behind `gateway` answers them; registers nobody describes read 0.
 *  @param delay_s  receives how long the unit waits before it answers (real time)
 *  @return 0, a Modbus exception code, or TAUTSIM_SILENT */
int tautsim_bench_registers(const struct tautsim_bench *bench, int gateway, int unit, int table, int first, int count,
                            uint16_t *out, double *delay_s);

/** Coils as commanded, or (position) the valves' true positions in the same sense.  Return as above. */
int tautsim_bench_coils(const struct tautsim_bench *bench, int gateway, int unit, bool position, int first, int count, bool *out,
                        double *delay_s);
/** Write coils.  Return as above; with an exception nothing was written. */
int tautsim_bench_write_coils(struct tautsim_bench *bench, int gateway, int unit, int first, int count, const bool *on,
                              double *delay_s);

/** Is there such a unit behind this gateway? */
bool tautsim_bench_has_unit(const struct tautsim_bench *bench, int gateway, int unit);

#endif
