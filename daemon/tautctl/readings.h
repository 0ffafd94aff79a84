/** @file readings.h  A logger's file as readings: time since the first one, absolute pressure, and what else is there. */
#ifndef TAUTCTL_READINGS_H
#define TAUTCTL_READINGS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "taut/decode.h"
#include "taut/diag.h"
#include "taut/limits.h"
#include "taut/sample.h"
#include "taut/station.h"

enum { TAUTCTL_READINGS_MAX = 20000000 };

enum tautctl_time_unit {
    TAUTCTL_TIME_MS,
    TAUTCTL_TIME_S,
    TAUTCTL_TIME_MIN,
    TAUTCTL_TIME_H,
    TAUTCTL_TIME_HM,
    TAUTCTL_TIME_MS_PAIR
};
#define TAUTCTL_TIME_UNITS "ms|s|min|h|hh:mm|mm:ss"
#define TAUTCTL_REFERENCES "absolute|gauge|vacuum"

/** How the file is to be read; what is not stated (NULL, -1, NaN) is taken from the header. */
struct tautctl_layout {
    const char *time, *pressure, *temperature, *ambient, *manifold, *phase; /* column: name or number from 1 */
    const char *unit;    /* of pressure, and of ambient and manifold when their header has none */
    int time_unit;       /* enum tautctl_time_unit or -1 */
    int reference;       /* enum taut_reference or -1 */
    double ambient_pa;   /* fixed ambient for gauge and vacuum */
    const char *missing; /* a further word that stands for "no reading" */
    char separator;      /* as for tautctl_csv_init */
    double skip_lines;
};

struct tautctl_reading {
    int64_t t_ns;                                  /* since the file's first reading, whole ms */
    double temperature_k, ambient_pa, manifold_pa; /* NaN when not there */
    struct taut_sample p;
    bool present;  /* false: a row of the trace on which this channel was not read */
    bool verdict;  /* the trace's event column says that a verdict fell with the reading before */
    uint8_t phase; /* enum taut_phase; TAUT_PHASES when the file does not say */
    int line;
};

struct tautctl_readings {
    struct tautctl_reading *at; /* owned */
    size_t count;
    size_t not_good;
    /* how it was read, for the report */
    char time_column[TAUT_NAME_MAX], pressure_column[TAUT_NAME_MAX], unit[16];
    enum taut_reference reference;
    bool reference_stated, phases, ambient_column, temperature_column;
};

/** Read a file ("-": standard input).
 *  @param out  filled; free with tautctl_readings_free.  Empty on failure
 *  @return     TAUT_OK; TAUT_E_IO can not be read; TAUT_E_FORMAT, TAUT_E_RANGE a place that can not be understood;
 *              TAUT_E_ARG the layout leaves a question that only the caller can answer; TAUT_E_FEW no reading;
 *              TAUT_E_MEMORY.  *diag says what and where */
TAUT_NODISCARD enum taut_status tautctl_readings_load(const char *path, const struct tautctl_layout *layout,
                                                      struct tautctl_readings *out, struct taut_diag *diag);

void tautctl_readings_free(struct tautctl_readings *readings);

/** Exit code (tautctl.h) for what tautctl_readings_load returned. */
int tautctl_readings_exit(enum taut_status status);

#endif
