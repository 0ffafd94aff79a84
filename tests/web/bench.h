/** @file bench.h  A made-up bench behind the API's host interface: three stations of the boatyard in fixed states. */
#ifndef TEST_WEB_BENCH_H
#define TEST_WEB_BENCH_H

#include "web/api.h"

enum { BENCH_STATIONS = 3, BENCH_CHANNELS = 5 };

struct bench {
    struct tautd_config config;
    struct tautd_line_config line[2];
    struct tautd_channel_config channel[BENCH_CHANNELS];
    struct tautd_station_config station_config[BENCH_STATIONS];
    struct taut_recipe recipe[2];
    struct taut_station station[BENCH_STATIONS];
    struct tautd_channel_live live[BENCH_CHANNELS];
    struct taut_command last; /* as given to the host */
    char last_part[TAUT_PART_ID_MAX], last_recipe[TAUT_NAME_MAX];
    struct tautd_api_peer last_peer;
    int commands;
};

/** A: a drop test being measured on a hand valve, part id with quotes and umlaut. B: a fill with a leak alarm.
 *  C: idle, its transmitter's wire is open. */
void bench_init(struct bench *bench);

/** The interface; its ctx is the bench. Commands are kept in `last`; "finish" is refused by state, "clamp" as not allowed. */
struct tautd_api_host bench_host(struct bench *bench);

#endif
