/** @file scenario.h  A simulated bench as described in a YAML file: bags, pump, sensors and valves on Modbus units,
 *  and what happens when.
 *
 *  Failure policy: a mistake is a finding with file, line and column; all are collected; with any, nothing runs. */
#ifndef TAUTSIM_SCENARIO_H
#define TAUTSIM_SCENARIO_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include "config/config.h"
#include "taut/bag.h"
#include "taut/decode.h"
#include "taut/diag.h"
#include "taut/limits.h"
#include "taut/noise.h"

enum {
    TAUTSIM_GATEWAYS_MAX = 64,
    TAUTSIM_SENSORS_MAX = 512,
    TAUTSIM_VALVES_MAX = 128,
    TAUTSIM_EVENTS_MAX = 512,
    TAUTSIM_COMMAND_MAX = 160
};

/** A Modbus TCP gateway: one port with any number of units behind it. */
struct tautsim_gateway {
    char name[TAUT_NAME_MAX];
    int port; /* 0 = any free one */
};

/** A kind of place a sensor looks at; the first ones are enum taut_place. */
enum tautsim_at {
    TAUTSIM_AT_VENT = TAUT_PLACE_VENT,
    TAUTSIM_AT_FAR = TAUT_PLACE_FAR,
    TAUTSIM_AT_FEED = TAUT_PLACE_FEED,
    TAUTSIM_AT_MANIFOLD = TAUT_PLACE_MANIFOLD,
    TAUTSIM_AT_AMBIENT = TAUT_PLACE_AMBIENT,
    TAUTSIM_AT_TEMPERATURE
};

enum tautsim_table { TAUTSIM_TABLE_INPUT, TAUTSIM_TABLE_HOLDING };

struct tautsim_sensor_spec {
    char name[TAUT_NAME_MAX];
    char bag[TAUT_NAME_MAX]; /* "" for manifold, ambient, room temperature */
    int bag_index;           /* -1 for none */
    int at;                  /* enum tautsim_at */
    char gateway[TAUT_NAME_MAX];
    int gateway_index;
    int unit, table, reg;
    int type, order; /* enum taut_reg_type, enum taut_reg_order */
    int reference;   /* enum taut_reference */
    char engineering[16];
    double unit_pa;       /* pascal per engineering unit */
    double scale, offset; /* engineering value (or mA in a loop) = number * scale + offset */
    bool loop;            /* 4 to 20 mA over range */
    double range[2];      /* engineering values */
    double noise_pa, correlation_s, wander_pa, lag_s, quantum_pa, drift_pa_per_s, offset_pa; /* K for a temperature */
};

struct tautsim_valve_spec {
    char name[TAUT_NAME_MAX];
    char bag[TAUT_NAME_MAX];
    int bag_index;
    char gateway[TAUT_NAME_MAX];
    int gateway_index;
    int unit, coil;
    int active_high; /* 1: coil on = open */
};

struct tautsim_bag_spec {
    char name[TAUT_NAME_MAX];
    double volume_m3, far_frac, link_m3_per_s, vent_m3_per_s, seat_m3_per_s;
    double release_pa_m3, release_s, moisture_pa_m3, moisture_m3_per_s, far_sensor_frac;
    double leak_pa_per_s, leak_far_pa_per_s, fill_s;
    int law;        /* enum taut_bag_leak_law */
    int valve_open; /* 0 or 1 */
};

struct tautsim_ambient_spec {
    double pressure_pa, drift_pa_per_s, wander_pa, temperature_k, drift_k_per_s;
};

struct tautsim_event {
    double at_s;
    char command[TAUTSIM_COMMAND_MAX];
    int line, column;
};

struct tautsim_scenario {
    char path[128];
    int seed;
    double tick_s; /* simulated time between two states; also how often a transducer converts */
    struct taut_pump_spec pump;
    bool pump_runs;
    struct tautsim_ambient_spec ambient;
    int gateways, bags, sensors, valves, events;
    struct tautsim_gateway gateway[TAUTSIM_GATEWAYS_MAX];
    struct tautsim_bag_spec bag[TAUT_BENCH_BAGS_MAX];
    struct tautsim_sensor_spec sensor[TAUTSIM_SENSORS_MAX];
    struct tautsim_valve_spec valve[TAUTSIM_VALVES_MAX];
    struct tautsim_event event[TAUTSIM_EVENTS_MAX]; /* in order of time */
};

/** Read and check a file.
 *  @return a new scenario (free with tautsim_scenario_free), or NULL with at least one finding */
struct tautsim_scenario *tautsim_scenario_load(const char *path, struct tautd_findings *findings);
void tautsim_scenario_free(struct tautsim_scenario *scenario);

/** Print every key with its meaning, range and default. */
void tautsim_scenario_print_keys(FILE *out);

#endif
