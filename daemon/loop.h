/** @file loop.h  The main loop and what it owns. One thread: every station, every decision, every clock reading
 *  outside the line workers happens here. */
#ifndef TAUTD_LOOP_H
#define TAUTD_LOOP_H

#include <stdbool.h>
#include <stdint.h>

#include "bus/bus.h"
#include "config/config.h"
#include "hook.h"
#include "sink/sink.h"
#include "taut/record.h"
#include "taut/station.h"
#include "web/api.h"

/** One station with its run on disk. */
struct tautd_place {
    struct taut_station station;
    int64_t epoch_ns;            /* daemon monotonic time at the run's start: station time = mono - epoch */
    struct tautd_folder *folder; /* NULL when no run is open */
    int64_t rows;                /* given to the sink in this run */
    struct taut_trace_clock trace_clock;
    struct taut_sweep sweep;      /* being gathered */
    int64_t sweep_mono_ns;        /* of its first reading */
    unsigned expected;            /* roles that are read as often as the vent: when all are in, the sweep is complete */
    int64_t row_mono_ns;          /* of the last row */
    char row_text[TAUT_TEXT_MAX]; /* for the event column of the next row */
};

struct tautd_loop {
    struct tautd_config *config;
    struct tautd_config *next_config; /* read by a reload, waiting until no part is under way; NULL for none */
    struct tautd_bus *bus;
    struct tautd_sink *sink;
    struct tautd_api *api;
    struct tautd_hooks *hooks;
    struct tautd_place *place;       /* config->stations of them */
    struct tautd_channel_live *live; /* config->channels of them */
    struct taut_channel_state *channel_state;
    int *users, *users_at;            /* users[users_at[c] .. users_at[c+1]): station * TAUT_ROLES + role that read channel c */
    int *output_station;              /* station whose valve an output is, -1 for none */
    struct taut_station *scratch;     /* for undoing a start whose folder could not be made */
    char *text;                       /* large text buffer for records */
    int64_t now_mono_ns, now_wall_ns; /* read once per wake-up */
    int64_t start_ns;
    int64_t wall_offset_ns; /* wall minus mono, as last accepted */
    int64_t last_tick_ns;
    bool stop, reload, gathering;
    int epoll, timer, signals;
};

enum { TAUTD_TEXT_BYTES = 256 * 1024, TAUTD_STRAGGLER_MS = 25 };

/* loop.c */
struct tautd_loop *tautd_loop_new(struct tautd_config *config, struct taut_diag *diag);
int tautd_loop_run(struct tautd_loop *loop);
void tautd_loop_free(struct tautd_loop *loop);

/* wiring.c: who reads what; made anew for every configuration. false = no memory */
bool tautd_wire(struct tautd_loop *loop);
void tautd_unwire(struct tautd_loop *loop);

/* readings.c: from the bus to the stations */
void tautd_readings_take(struct tautd_loop *loop);
/** Give sweeps that are complete or old enough (all when `all`) to their stations. */
void tautd_readings_flush(struct tautd_loop *loop, bool all);
/** Once a second: rows for stations where nothing came, stale readings. */
void tautd_readings_tick(struct tautd_loop *loop);

/* effects.c: give an event to a station, journal it, and do what comes back */
enum taut_status tautd_effects_step(struct tautd_loop *loop, int station, struct taut_event *event, struct taut_diag *diag);
/** Write record.json as the station stands. */
void tautd_effects_record(struct tautd_loop *loop, const struct taut_station *station, struct tautd_folder *folder);
/** Start a part: number, folder, step; all or nothing. */
enum taut_status tautd_effects_start(struct tautd_loop *loop, int station, const struct taut_command *command, const char *part,
                                     const char *recipe, struct taut_diag *diag);
/** Station time, whole ms. */
int64_t tautd_effects_station_ns(const struct tautd_place *place, int64_t mono_ns);

/* recover.c: parts that were open when the program last ended */
void tautd_recover(struct tautd_loop *loop);

/* host.c: what the API may see and do */
const struct tautd_api_host *tautd_host(struct tautd_loop *loop, struct tautd_api_host *out);

#endif
