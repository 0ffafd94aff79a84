/* A configuration built by hand, a bus on it, and all readings it gave. Include it after cmocka.h. */
#ifndef RIG_H
#define RIG_H

#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>

#include "bus/bus.h"
#include "clock.h"
#include "tt_modbus.h"

enum { RIG_LINES = 8, RIG_CHANNELS = 64, RIG_OUTPUTS = 4, RIG_SEEN = 50000 };

struct rig {
    struct tautd_line_config line[RIG_LINES];
    struct tautd_channel_config channel[RIG_CHANNELS];
    struct tautd_output_config output[RIG_OUTPUTS];
    struct tautd_config config;
    struct tautd_bus *bus;
    struct tautd_reading seen[RIG_SEEN];
    int n;
};

static struct rig rig; /* too large for a stack */

static inline void rig_clear(void)
{
    memset(&rig, 0, sizeof rig);
    rig.config.line = rig.line;
    rig.config.channel = rig.channel;
    rig.config.output = rig.output;
}

static inline int rig_line(int kind, const char *device, int port)
{
    struct tautd_line_config *l = &rig.line[rig.config.lines];
    *l = (struct tautd_line_config){.kind = kind,
                                    .baud = 115200,
                                    .parity = TAUTD_PARITY_NONE,
                                    .data_bits = 8,
                                    .stop_bits = 1,
                                    .port = port,
                                    .timeout_s = 0.2,
                                    .settle_s = 0.2,
                                    .gap_registers = 0,
                                    .retry_most_s = 4,
                                    .real_time_priority = 5}; /* where allowed: other tests run beside */
    snprintf(l->name, sizeof l->name, "line%d", rig.config.lines);
    snprintf(l->device, sizeof l->device, "%s", device ? device : "");
    snprintf(l->host, sizeof l->host, "127.0.0.1");
    return rig.config.lines++;
}

static inline int rig_channel(int line, int unit, int table, int reg, double period_s)
{
    struct tautd_channel_config *c = &rig.channel[rig.config.channels];
    *c = (struct tautd_channel_config){.line_index = line, .unit = unit, .table = table, .reg = reg, .period_s = period_s};
    return rig.config.channels++;
}

static inline int rig_output(int line, int unit, int coil)
{
    struct tautd_output_config *o = &rig.output[rig.config.outputs];
    *o = (struct tautd_output_config){.line_index = line, .unit = unit, .coil = coil, .active_high = true};
    return rig.config.outputs++;
}

static inline void rig_start(void)
{
    struct taut_diag diag;
    rig.bus = tautd_bus_new(&rig.config, &diag);
    assert_non_null(rig.bus);
}

/* Collect for so long. */
static inline void rig_run(double seconds)
{
    int64_t end = tautd_clock_real_ns() + (int64_t)(seconds * 1e9), left;
    while ((left = end - tautd_clock_real_ns()) > 0) {
        struct pollfd p = {.fd = tautd_bus_fd(rig.bus), .events = POLLIN};
        poll(&p, 1, (int)(left / 1000000) + 1);
        assert_true(rig.n + 256 < RIG_SEEN);
        rig.n += tautd_bus_take(rig.bus, rig.seen + rig.n, 256);
    }
}

static inline void rig_stop(void)
{
    tautd_bus_free(rig.bus);
    rig.bus = NULL;
}

/* How many readings of a channel (-1: any) since `from` have this reason. */
static inline int rig_count(int from, int channel, enum taut_reason reason)
{
    int n = 0;
    for (int i = from; i < rig.n; i++)
        n += (channel == -1 || rig.seen[i].channel == channel) && rig.seen[i].reason == reason;
    return n;
}

/* Wait until `channel` has given `n` more readings with this reason. */
static inline bool rig_await(int channel, enum taut_reason reason, int n, double most_s)
{
    int from = rig.n;
    int64_t end = tautd_clock_real_ns() + (int64_t)(most_s * 1e9);
    while (rig_count(from, channel, reason) < n && tautd_clock_real_ns() < end)
        rig_run(0.02);
    return rig_count(from, channel, reason) >= n;
}

/* The one rule that holds whatever the units do: a good reading is the value of its own register, a bad one is NaN with
 * a reason. (Channels must be uint16.) */
static inline void rig_check(void)
{
    for (int i = 0; i < rig.n; i++) {
        const struct tautd_reading *r = &rig.seen[i];
        if (r->channel < 0)
            continue;
        const struct tautd_channel_config *c = &rig.channel[r->channel];
        if (r->quality == TAUT_QUALITY_GOOD) {
            assert_int_equal(r->reason, TAUT_REASON_NONE);
            unsigned want = tt_register((unsigned)c->unit, c->table == TAUTD_TABLE_HOLDING ? 3 : 4, (unsigned)c->reg);
            if (r->number != want)
                fail_msg("channel %d: a good reading of %g, the register holds %u", r->channel, r->number, want);
        } else {
            assert_int_equal(r->quality, TAUT_QUALITY_BAD);
            assert_int_not_equal(r->reason, TAUT_REASON_NONE);
            assert_true(isnan(r->number));
        }
    }
}

static inline struct tautd_bus_stats rig_stats(int line)
{
    struct tautd_bus_stats s;
    tautd_bus_stats(rig.bus, line, &s);
    return s;
}

#endif
