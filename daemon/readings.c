#include <math.h>
#include <string.h>

#include "clock.h"
#include "loop.h"
#include "taut/units.h"

/* Readings of one station whose times lie this close are one row of the trace. */
static int64_t together_ns(void)
{
    double factor = tautd_clock_factor();
    return (int64_t)(5e6 * (factor > 1 ? factor : 1));
}

/* The bus hands readings over in batches: so long may the others of a moment still be on their way. */
static int64_t straggler_ns(void)
{
    return together_ns() + (int64_t)(TAUTD_STRAGGLER_MS * 1e6 * (tautd_clock_factor() > 1 ? tautd_clock_factor() : 1));
}

static void give_sweep(struct tautd_loop *loop, int station)
{
    struct tautd_place *place = &loop->place[station];
    struct taut_event event = {.kind = TAUT_EVENT_SWEEP, .t_ns = tautd_effects_station_ns(place, place->sweep_mono_ns)};
    event.wall_ns = place->sweep_mono_ns + loop->wall_offset_ns;
    event.sweep = place->sweep;
    memset(&place->sweep, 0, sizeof place->sweep);
    (void)!tautd_effects_step(loop, station, &event, NULL);
}

static void gather(struct tautd_loop *loop, int station, int role, int64_t mono_ns, const struct taut_sample *sample)
{
    struct tautd_place *place = &loop->place[station];
    bool apart = mono_ns - place->sweep_mono_ns > together_ns() || mono_ns < place->sweep_mono_ns - together_ns();
    if (place->sweep.present && ((place->sweep.present & (1u << role)) || apart))
        give_sweep(loop, station);
    if (!place->sweep.present)
        place->sweep_mono_ns = mono_ns;
    place->sweep.present |= 1u << role;
    place->sweep.sample[role] = *sample;
    if ((place->sweep.present & place->expected) == place->expected)
        give_sweep(loop, station);
    else
        loop->gathering = true;
}

static double rounded(const struct taut_channel_spec *spec, double value)
{
    if (spec->quantity == TAUT_QUANTITY_PRESSURE)
        return taut_sample_round_pa(value);
    /* A temperature is kept in thousandths of a degree Celsius, as the trace prints it. */
    return isfinite(value) ? (273150.0 + (double)llround((value - TAUT_KELVIN_AT_0_DEGC) * 1000.0)) / 1000.0 : value;
}

static void on_reading(struct tautd_loop *loop, const struct tautd_reading *reading)
{
    const struct tautd_channel_config *channel = &loop->config->channel[reading->channel];
    struct tautd_channel_live *live = &loop->live[reading->channel];
    struct taut_sample sample = {.value = NAN, .quality = reading->quality, .reason = reading->reason};
    if (reading->quality == TAUT_QUALITY_GOOD) {
        const struct taut_sample *ambient = channel->ambient_index >= 0 ? &loop->live[channel->ambient_index].sample : NULL;
        sample = taut_channel_convert(&channel->spec, &loop->channel_state[reading->channel], reading->mono_ns, reading->number,
                                      ambient);
        sample.value = rounded(&channel->spec, sample.value);
    }
    live->sample = sample;
    live->mono_ns = reading->mono_ns;
    live->number = reading->number;
    live->exception = reading->exception;
    if (sample.quality == TAUT_QUALITY_GOOD)
        live->good++;
    else
        live->bad++;
    for (int u = loop->users_at[reading->channel]; u < loop->users_at[reading->channel + 1]; u++)
        gather(loop, loop->users[u] / TAUT_ROLES, loop->users[u] % TAUT_ROLES, reading->mono_ns, &sample);
}

static void on_written(struct tautd_loop *loop, int output, bool ok)
{
    int station = loop->output_station[output];
    if (station < 0)
        return;
    struct tautd_place *place = &loop->place[station];
    struct taut_event event = {.kind = TAUT_EVENT_VALVE, .ok = ok, .wall_ns = loop->now_wall_ns};
    event.t_ns = tautd_effects_station_ns(place, loop->now_mono_ns);
    (void)!tautd_effects_step(loop, station, &event, NULL);
}

void tautd_readings_take(struct tautd_loop *loop)
{
    struct tautd_reading readings[256];
    for (int turn = 0; turn < 64; turn++) { /* bounded: the loop has others to serve */
        int n = tautd_bus_take(loop->bus, readings, 256);
        for (int i = 0; i < n; i++) {
            if (readings[i].channel < 0)
                on_written(loop, -1 - readings[i].channel, readings[i].written);
            else
                on_reading(loop, &readings[i]);
        }
        if (n < 256)
            return;
    }
}

void tautd_readings_flush(struct tautd_loop *loop, bool all)
{
    if (!loop->gathering)
        return;
    loop->gathering = false;
    for (int s = 0; s < loop->config->stations; s++) {
        struct tautd_place *place = &loop->place[s];
        if (!place->sweep.present)
            continue;
        if (all || loop->now_mono_ns - place->sweep_mono_ns > straggler_ns())
            give_sweep(loop, s);
        else
            loop->gathering = true;
    }
}

/* A worker tells of every failed read itself; this is for the worker that tells nothing at all. */
static void add_stale(struct tautd_loop *loop, int station, struct taut_sweep *sweep)
{
    for (int r = 0; r < TAUT_ROLES; r++) {
        int c = loop->config->station[station].channel_index[r];
        if (c < 0)
            continue;
        const struct tautd_channel_config *channel = &loop->config->channel[c];
        struct tautd_channel_live *live = &loop->live[c];
        int64_t since = live->mono_ns >= 0 ? live->mono_ns : loop->start_ns;
        double silent_s = taut_seconds(loop->now_mono_ns - since);
        if (silent_s <= fmax(channel->spec.stale_s, 3 * channel->period_s))
            continue;
        live->sample = (struct taut_sample){.value = NAN, .quality = TAUT_QUALITY_BAD, .reason = TAUT_REASON_STALE};
        sweep->present |= 1u << r;
        sweep->sample[r] = live->sample;
    }
}

void tautd_readings_tick(struct tautd_loop *loop)
{
    for (int s = 0; s < loop->config->stations; s++) {
        struct tautd_place *place = &loop->place[s];
        struct taut_sweep sweep = {0};
        add_stale(loop, s, &sweep);
        if (!sweep.present && (!taut_station_running(&place->station) || loop->now_mono_ns - place->row_mono_ns < TAUT_NS_PER_S))
            continue;
        struct taut_event event = {.kind = TAUT_EVENT_SWEEP, .wall_ns = loop->now_wall_ns, .sweep = sweep};
        event.t_ns = tautd_effects_station_ns(place, loop->now_mono_ns);
        (void)!tautd_effects_step(loop, s, &event, NULL);
    }
}
