#include "loop.h"

static const struct tautd_config *host_config(void *ctx)
{
    return ((struct tautd_loop *)ctx)->config;
}

static const struct taut_station *host_station(void *ctx, int index)
{
    return &((struct tautd_loop *)ctx)->place[index].station;
}

static const struct tautd_channel_live *host_channel(void *ctx, int index)
{
    return &((struct tautd_loop *)ctx)->live[index];
}

static void host_line_stats(void *ctx, int line, struct tautd_bus_stats *out)
{
    tautd_bus_stats(((struct tautd_loop *)ctx)->bus, line, out);
}

static const char *host_folder(void *ctx, int station)
{
    const struct tautd_folder *folder = ((struct tautd_loop *)ctx)->place[station].folder;
    return folder ? tautd_folder_path(folder) : NULL;
}

static uint64_t host_rows(void *ctx, int station)
{
    const struct tautd_folder *folder = ((struct tautd_loop *)ctx)->place[station].folder;
    return folder ? tautd_folder_rows(folder) : 0;
}

static enum taut_status host_command(void *ctx, int station, const struct taut_command *command, const char *part,
                                     const char *recipe, const struct tautd_api_peer *peer, struct taut_diag *diag)
{
    (void)peer; /* its name is in command->who already */
    struct tautd_loop *loop = ctx;
    tautd_readings_flush(loop, true); /* what was read before the command is judged before it */
    if (command->verb == TAUT_VERB_START)
        return tautd_effects_start(loop, station, command, part, recipe, diag);
    struct taut_event event = {.kind = TAUT_EVENT_COMMAND, .wall_ns = loop->now_wall_ns, .command = *command};
    event.t_ns = tautd_effects_station_ns(&loop->place[station], loop->now_mono_ns);
    return tautd_effects_step(loop, station, &event, diag);
}

static int64_t host_uptime_ns(void *ctx)
{
    const struct tautd_loop *loop = ctx;
    return loop->now_mono_ns - loop->start_ns;
}

const struct tautd_api_host *tautd_host(struct tautd_loop *loop, struct tautd_api_host *out)
{
    *out = (struct tautd_api_host){
        .ctx = loop,
        .config = host_config,
        .station = host_station,
        .channel = host_channel,
        .line_stats = host_line_stats,
        .folder = host_folder,
        .rows = host_rows,
        .command = host_command,
        .uptime_ns = host_uptime_ns,
    };
    return out;
}
