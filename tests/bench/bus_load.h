/* A bus on a configuration built by hand, and a reader that only counts. */
#ifndef BUS_LOAD_H
#define BUS_LOAD_H

#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bus/bus.h"
#include "clock.h"

enum { LOAD_LINES = 256, LOAD_CHANNELS = 512 };

struct load {
    struct tautd_line_config line[LOAD_LINES];
    struct tautd_channel_config channel[LOAD_CHANNELS];
    struct tautd_config config;
    struct tautd_bus *bus;
    uint64_t good[LOAD_CHANNELS], bad[LOAD_CHANNELS]; /* readings so far */
    int64_t last_good_ns[LOAD_CHANNELS];              /* stamp of the newest */
};

static inline struct load *load_new(void)
{
    struct load *l = calloc(1, sizeof *l);
    if (!l)
        abort();
    l->config.line = l->line;
    l->config.channel = l->channel;
    return l;
}

static inline int load_line(struct load *l, int kind, const char *device, int port)
{
    struct tautd_line_config *c = &l->line[l->config.lines];
    *c = (struct tautd_line_config){.kind = kind,
                                    .port = port,
                                    .baud = 19200,
                                    .data_bits = 8,
                                    .stop_bits = 1,
                                    .timeout_s = 0.5,
                                    .settle_s = 0.5,
                                    .retry_most_s = 30};
    snprintf(c->name, sizeof c->name, "line%d", l->config.lines);
    snprintf(c->host, sizeof c->host, "127.0.0.1");
    snprintf(c->device, sizeof c->device, "%s", device ? device : "");
    return l->config.lines++;
}

static inline void load_channel(struct load *l, int line, int unit, int reg, double period_s)
{
    l->channel[l->config.channels++] = (struct tautd_channel_config){
        .line_index = line, .unit = unit, .table = TAUTD_TABLE_INPUT, .reg = reg, .type = TAUT_REG_FLOAT32, .period_s = period_s};
}

static inline void load_start(struct load *l)
{
    struct taut_diag diag;
    l->bus = tautd_bus_new(&l->config, &diag);
    if (!l->bus) {
        fprintf(stderr, "%s\n", diag.text);
        exit(70);
    }
}

static inline void load_run(struct load *l, double seconds)
{
    struct tautd_reading r[256];
    int64_t end = tautd_clock_real_ns() + (int64_t)(seconds * 1e9), left;
    while ((left = end - tautd_clock_real_ns()) > 0) {
        struct pollfd p = {.fd = tautd_bus_fd(l->bus), .events = POLLIN};
        poll(&p, 1, (int)(left / 1000000) + 1);
        int n = tautd_bus_take(l->bus, r, 256);
        for (int i = 0; i < n; i++) {
            int c = r[i].channel;
            if (r[i].quality == TAUT_QUALITY_GOOD) {
                l->good[c]++;
                l->last_good_ns[c] = r[i].mono_ns;
            } else {
                l->bad[c]++;
            }
        }
    }
}

static inline uint64_t load_sum(const uint64_t *each)
{
    uint64_t sum = 0;
    for (int i = 0; i < LOAD_CHANNELS; i++)
        sum += each[i];
    return sum;
}

static inline void load_free(struct load *l)
{
    tautd_bus_free(l->bus);
    free(l);
}

#endif
