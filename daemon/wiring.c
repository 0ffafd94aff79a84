#include <stdlib.h>

#include "loop.h"

/* Which (station, role) pairs read channel `c`: counted first, then filled, so that a reading finds its users at once. */
static bool wire_users(struct tautd_loop *loop)
{
    const struct tautd_config *config = loop->config;
    loop->users_at = calloc((size_t)config->channels + 1, sizeof *loop->users_at);
    loop->users = calloc((size_t)config->stations * TAUT_ROLES + 1, sizeof *loop->users);
    if (!loop->users_at || !loop->users)
        return false;
    int n = 0;
    for (int c = 0; c < config->channels; c++) {
        loop->users_at[c] = n;
        for (int s = 0; s < config->stations; s++)
            for (int r = 0; r < TAUT_ROLES; r++)
                if (config->station[s].channel_index[r] == c)
                    loop->users[n++] = s * TAUT_ROLES + r;
    }
    loop->users_at[config->channels] = n;
    return true;
}

static unsigned expected_roles(const struct tautd_config *config, const struct tautd_station_config *station)
{
    unsigned expected = 0;
    int vent = station->channel_index[TAUT_ROLE_VENT];
    for (int r = 0; vent >= 0 && r < TAUT_ROLES; r++) {
        int c = station->channel_index[r];
        if (c >= 0 && config->channel[c].period_s <= 1.2 * config->channel[vent].period_s)
            expected |= 1u << r;
    }
    return expected;
}

bool tautd_wire(struct tautd_loop *loop)
{
    const struct tautd_config *config = loop->config;
    loop->place = calloc((size_t)config->stations + 1, sizeof *loop->place);
    loop->live = calloc((size_t)config->channels + 1, sizeof *loop->live);
    loop->channel_state = calloc((size_t)config->channels + 1, sizeof *loop->channel_state);
    loop->output_station = calloc((size_t)config->outputs + 1, sizeof *loop->output_station);
    if (!loop->place || !loop->live || !loop->channel_state || !loop->output_station || !wire_users(loop))
        return false;
    for (int o = 0; o < config->outputs; o++)
        loop->output_station[o] = -1;
    for (int c = 0; c < config->channels; c++) {
        loop->live[c].sample = (struct taut_sample){.value = NAN, .quality = TAUT_QUALITY_BAD, .reason = TAUT_REASON_STALE};
        loop->live[c].mono_ns = -1;
    }
    for (int s = 0; s < config->stations; s++) {
        struct tautd_place *place = &loop->place[s];
        struct taut_station_setup setup;
        tautd_config_station_setup(config, s, &setup);
        taut_station_init(&place->station, &setup);
        place->epoch_ns = loop->now_mono_ns;
        place->row_mono_ns = loop->now_mono_ns;
        place->expected = expected_roles(config, &config->station[s]);
        if (config->station[s].valve_index >= 0)
            loop->output_station[config->station[s].valve_index] = s;
    }
    return true;
}

void tautd_unwire(struct tautd_loop *loop)
{
    free(loop->place);
    free(loop->live);
    free(loop->channel_state);
    free(loop->users);
    free(loop->users_at);
    free(loop->output_station);
    loop->place = NULL;
    loop->live = NULL;
    loop->channel_state = NULL;
    loop->users = loop->users_at = loop->output_station = NULL;
}
