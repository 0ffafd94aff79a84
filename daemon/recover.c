/* Parts that were open when the program last ended. The station's state is rebuilt by replaying its folder: the
 * same step, the same events, so the same state to the bit. Then it is told how long nobody watched.
 *
 * Failure policy: a folder that can not be replayed is left as it is, the operator is told in the log, and the
 * station starts idle. Nothing is deleted. */
#include <string.h>

#include "log.h"
#include "loop.h"
#include "sink/replay.h"
#include "taut/units.h"

static int station_by_name(const struct tautd_loop *loop, const char *name)
{
    for (int s = 0; s < loop->config->stations; s++)
        if (strcmp(loop->config->station[s].name, name) == 0)
            return s;
    return -1;
}

static void drive_valve_again(struct tautd_loop *loop, int station)
{
    int output = loop->config->station[station].valve_index;
    bool open = loop->place[station].station.valve_open;
    if (output >= 0)
        (void)!tautd_bus_write(loop->bus, output, open == loop->config->output[output].active_high);
}

static void take_up(void *ctx, const char *name, const char *path)
{
    struct tautd_loop *loop = ctx;
    int station = station_by_name(loop, name);
    if (station < 0) {
        tautd_log(TAUTD_WARNING, "an open part lies in %s, but station %s is not configured: left as it is", path, name);
        return;
    }
    struct tautd_place *place = &loop->place[station];
    struct tautd_replay_report report;
    struct taut_diag diag;
    char line[512];
    if (tautd_replay(path, loop->scratch, &report, &diag)) {
        tautd_log(TAUTD_ERROR, "open part in %s can not be taken up: %s", path, taut_diag_print(&diag, line, sizeof line));
        return;
    }
    struct tautd_folder *folder = tautd_sink_reopen(loop->sink, station, path, &diag);
    if (!folder) {
        tautd_log(TAUTD_ERROR, "open part in %s can not be taken up: %s", path, taut_diag_print(&diag, line, sizeof line));
        return;
    }
    if (!taut_station_running(loop->scratch)) { /* it ended, but the seal was not finished; the station may have a newer part */
        tautd_effects_record(loop, loop->scratch, folder);
        tautd_folder_seal(folder);
        return;
    }
    place->station = *loop->scratch;
    place->folder = folder;
    place->rows = report.rows;
    /* The monotonic clock of the last run of the program is gone: the gap is what the wall clock says, and a wall
     * clock that went back says nothing. */
    int64_t gap_ns = loop->now_wall_ns > report.last_wall_ns ? loop->now_wall_ns - report.last_wall_ns : 0;
    gap_ns -= gap_ns % TAUT_NS_PER_MS;
    place->epoch_ns = loop->now_mono_ns - place->station.now_ns - gap_ns;
    tautd_log(TAUTD_NOTICE, "station %s: part %s taken up in %s after %.0f s", name, place->station.run.part,
              taut_phase_text(place->station.phase), taut_seconds(gap_ns));
    struct taut_event event = {.kind = TAUT_EVENT_RESUME, .wall_ns = loop->now_wall_ns, .gap_ns = gap_ns};
    event.t_ns = tautd_effects_station_ns(place, loop->now_mono_ns);
    (void)!tautd_effects_step(loop, station, &event, NULL);
    drive_valve_again(loop, station);
}

void tautd_recover(struct tautd_loop *loop)
{
    tautd_sink_open_folders(loop->sink, take_up, loop);
}
