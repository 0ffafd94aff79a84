/** @file config.h  The configuration as read: what is wanted. Immutable once loaded; a reload makes a new one.
 *
 *  Parsed by one table of keys (schema.c). Every mistake is reported in one go with file, line and column. */
#ifndef TAUTD_CONFIG_H
#define TAUTD_CONFIG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>

#include "taut/decode.h"
#include "taut/diag.h"
#include "taut/recipe.h"
#include "taut/sample.h"
#include "taut/station.h"

enum {
    TAUTD_LINES_MAX = 320,
    TAUTD_CHANNELS_MAX = 1024,
    TAUTD_STATIONS_MAX = 64,
    TAUTD_RECIPES_MAX = 256,
    TAUTD_OUTPUTS_MAX = 256,
    TAUTD_PATH_MAX = 256,
    TAUTD_FINDINGS_MAX = 100,
    TAUTD_WARNINGS_MAX = 32
};

enum tautd_line_kind { TAUTD_LINE_RTU, TAUTD_LINE_TCP };
enum tautd_parity { TAUTD_PARITY_NONE, TAUTD_PARITY_EVEN, TAUTD_PARITY_ODD };

struct tautd_line_config {
    char name[TAUT_NAME_MAX];
    int kind; /* enum tautd_line_kind */
    /* rtu */
    char device[TAUTD_PATH_MAX];
    int baud, data_bits, stop_bits; /* stop_bits 0: one with parity, two without, as the standard says */
    int parity;                     /* enum tautd_parity */
    double gap_s;                   /* silence between frames; 0 = t3.5 of the standard */
    /* tcp */
    char host[128];
    int port;
    /* both */
    double timeout_s;       /* wait for the first byte of an answer */
    double settle_s;        /* after a failed exchange on a serial line, wait out a late answer this long */
    int gap_registers;      /* join requests across so many registers nobody asked for */
    double retry_most_s;    /* longest pause before a dead unit is asked again */
    int real_time_priority; /* SCHED_FIFO priority of the worker; 0 = ordinary */
};

enum tautd_table { TAUTD_TABLE_INPUT, TAUTD_TABLE_HOLDING }; /* FC 4, FC 3 */

struct tautd_channel_config {
    struct taut_channel_spec spec;
    char line[TAUT_NAME_MAX];
    int line_index; /* into lines */
    int unit;       /* 1..247 (RTU), 0..255 (TCP) */
    int table;      /* enum tautd_table */
    int reg;        /* 0..65535 */
    int type;       /* enum taut_reg_type */
    int order;      /* enum taut_reg_order */
    double period_s;
    double timeout_s;            /* of this unit; 0 = the line's */
    char ambient[TAUT_NAME_MAX]; /* barometer channel for gauge and vacuum references; "" = fixed or none */
    int ambient_index;           /* -1 for none */
    char engineering[16];        /* unit of the number: mbar, Pa, ... or degC, K */
    char calibrated[16];         /* date, kept in the record */
    char serial[TAUT_NAME_MAX];  /* instrument's serial number, kept in the record */
};

struct tautd_output_config {
    char name[TAUT_NAME_MAX];
    char line[TAUT_NAME_MAX];
    int line_index;
    int unit, coil;
    bool active_high; /* coil on = valve open when true */
};

struct tautd_station_config {
    char name[TAUT_NAME_MAX];
    char channel[TAUT_ROLES][TAUT_NAME_MAX]; /* "" when not wired */
    int channel_index[TAUT_ROLES];           /* -1 when not wired */
    char valve[TAUT_NAME_MAX];               /* output name; "" = hand valve */
    int valve_index;                         /* -1 for none */
    double volume_m3, u_volume_m3;           /* NaN when not stated */
    char recipe[TAUT_NAME_MAX];              /* default recipe; "" = must be named at start */
    int recipe_index;
};

struct tautd_api_config {
    char socket[TAUTD_PATH_MAX]; /* "" = <run dir>/taut.sock */
    char group[TAUT_NAME_MAX];   /* group owner of the socket; "" = the daemon's own */
    char listen[64];             /* loopback address for TCP; "" = none */
    int port;
};

struct tautd_config {
    char path[TAUTD_PATH_MAX];
    char state_dir[TAUTD_PATH_MAX];
    char run_dir[TAUTD_PATH_MAX];
    char on_alarm[TAUTD_PATH_MAX];   /* program run when an alarm changes; "" = none */
    char on_verdict[TAUTD_PATH_MAX]; /* program run when a drop test ends */
    double hook_s;                   /* a hook is ended after this time */
    double sync_s;                   /* trace to disk at least this often */
    struct tautd_api_config api;
    int lines, channels, stations, recipes, outputs;
    struct tautd_line_config *line;
    struct tautd_channel_config *channel;
    struct tautd_station_config *station;
    struct taut_recipe *recipe;
    struct tautd_output_config *output;
};

/** All that was found wrong, in the order of the file; and what is allowed but should be looked at. */
struct tautd_findings {
    int count; /* may exceed what is stored */
    struct taut_diag finding[TAUTD_FINDINGS_MAX];
    int warnings; /* the same; a configuration with warnings only is returned */
    struct taut_diag warning[TAUTD_WARNINGS_MAX];
};

/** Read and check a file.
 *  @return a new configuration (free with tautd_config_free), or NULL with at least one finding, never partial */
struct tautd_config *tautd_config_load(const char *path, struct tautd_findings *findings);

/** The same from memory; `name` stands for the file in messages. */
struct tautd_config *tautd_config_parse(const char *name, const char *text, size_t size, struct tautd_findings *findings);

void tautd_config_free(struct tautd_config *config);

/** Print the configuration in force as YAML that reads back to the same configuration (--print-config). */
void tautd_config_print(const struct tautd_config *config, FILE *out);

/** Print the commented example with every key, or the key reference for the manual (from the same table). */
void tautd_config_print_example(FILE *out);
void tautd_config_print_reference(FILE *out);

/** What a station needs to know of its channels, for the journal. */
void tautd_config_station_setup(const struct tautd_config *config, int station, struct taut_station_setup *setup);

#endif
