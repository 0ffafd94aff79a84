/* Failure policy: a last line that a crash tore is left out and counted; any other line that can not be understood
 * ends the replay with file and line, because a verdict from half the readings would be worth nothing. */
#include "sink/replay.h"

#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "sink/disk.h"
#include "sink/journal_read.h"
#include "taut/record.h"

/* A file read by whole lines. */
struct lines {
    FILE *file;
    char path[PATH_MAX];
    char *text; /* the present line without its line end */
    size_t size;
    int line;
    int64_t torn; /* bytes after the last whole line, once at the end */
};

static enum taut_status open_lines(struct lines *lines, const char *folder, const char *name, struct taut_diag *diag)
{
    *lines = (struct lines){0};
    snprintf(lines->path, sizeof lines->path, "%.4000s/%.80s", folder, name);
    int fd = open(lines->path, O_RDONLY | O_NOFOLLOW | O_CLOEXEC);
    lines->file = fd < 0 ? NULL : fdopen(fd, "r");
    if (lines->file)
        return TAUT_OK;
    enum taut_status status = tautd_disk_refuse(diag, lines->path, "the file can not be read");
    if (fd >= 0)
        close(fd);
    return status;
}

static void close_lines(struct lines *lines)
{
    if (lines->file)
        fclose(lines->file);
    free(lines->text);
}

/* False at the end. A line without a line end, or with a NUL byte (a page that never reached the disk), is the end. */
static bool next_line(struct lines *lines)
{
    ssize_t n = getline(&lines->text, &lines->size, lines->file);
    if (n <= 0)
        return false;
    if (lines->text[n - 1] != '\n' || memchr(lines->text, '\0', (size_t)n)) {
        lines->torn = n;
        while ((n = getline(&lines->text, &lines->size, lines->file)) > 0)
            lines->torn += n;
        return false;
    }
    lines->text[--n] = '\0';
    if (n > 0 && lines->text[n - 1] == '\r')
        lines->text[n - 1] = '\0';
    lines->line++;
    return true;
}

static enum taut_status at_line(const struct lines *lines, enum taut_status status, struct taut_diag *diag)
{
    if (!diag)
        return status;
    const char *path = lines->path;
    if (strlen(path) >= sizeof diag->file)
        path = strrchr(path, '/') + 1;
    snprintf(diag->file, sizeof diag->file, "%.127s", path);
    diag->line = lines->line;
    diag->status = status;
    return status;
}

/* Rows before each journal line. A line that names more rows than a later one was written before a power cut took
 * rows back: it belongs where the later one stands. So the numbers are made never to fall, from the end. */
struct places {
    int64_t *row;
    int count;
};

static enum taut_status read_places(const char *folder, struct places *places, struct taut_diag *diag)
{
    struct lines lines;
    enum taut_status status = open_lines(&lines, folder, TAUTD_JOURNAL, diag);
    int room = 0;
    *places = (struct places){0};
    while (status == TAUT_OK && next_line(&lines)) {
        if (places->count == room) {
            room = room ? 2 * room : 256;
            int64_t *more = realloc(places->row, (size_t)room * sizeof *more);
            if (!more) {
                status = taut_diag_set(diag, TAUT_E_MEMORY, "no memory for the journal");
                break;
            }
            places->row = more;
        }
        const char *row = strstr(lines.text, "\"row\":"); /* the first member of every line but the first */
        places->row[places->count++] = row && row < lines.text + 4 ? strtoll(row + 6, NULL, 10) : INT64_MAX;
    }
    for (int i = places->count - 2; i >= 0; i--)
        if (places->row[i] > places->row[i + 1])
            places->row[i] = places->row[i + 1];
    close_lines(&lines);
    return status;
}

struct replay {
    struct taut_station *station;
    struct tautd_replay_report *report;
    struct lines trace, journal;
    struct places places;
    int place; /* of the journal line to be read next */
    struct taut_run run;
    struct taut_event event;
    struct taut_effects effects;
};

static enum taut_status step(struct replay *replay, struct taut_diag *diag)
{
    replay->report->last_t_ns = replay->event.t_ns;
    replay->report->last_wall_ns = replay->event.wall_ns;
    return taut_station_step(replay->station, &replay->event, &replay->effects, diag);
}

static enum taut_status begin(struct replay *replay, struct taut_diag *diag)
{
    struct taut_station_setup setup;
    if (!next_line(&replay->journal)) {
        replay->journal.line = 1;
        return at_line(&replay->journal, taut_diag_set(diag, TAUT_E_FORMAT, "the journal has no first line"), diag);
    }
    replay->place++;
    enum taut_status status = tautd_journal_read_open(replay->journal.text, &setup, &replay->run, replay->report->software, diag);
    if (status)
        return at_line(&replay->journal, status, diag);
    taut_station_init(replay->station, &setup);
    replay->event = (struct taut_event){
        .kind = TAUT_EVENT_COMMAND,
        .wall_ns = replay->run.started_wall_ns,
        .command = {.verb = TAUT_VERB_START},
        .run = replay->run,
    };
    memcpy(replay->event.command.who, replay->run.who, sizeof replay->run.who);
    status = step(replay, diag);
    if (status)
        return at_line(&replay->journal, TAUT_E_FORMAT, diag);
    return TAUT_OK;
}

static enum taut_status give_line(struct replay *replay, struct taut_diag *diag)
{
    struct tautd_journal_line line;
    enum taut_status status = tautd_journal_read_line(replay->journal.text, &line, diag);
    if (status)
        return at_line(&replay->journal, status, diag);
    replay->report->lost_events += line.lost_lines;
    if (!line.is_event)
        return TAUT_OK;
    bool start = line.event.kind == TAUT_EVENT_COMMAND && line.event.command.verb == TAUT_VERB_START;
    if (start && line.status == TAUT_OK)
        return TAUT_OK; /* the journal's first line has been given already */
    replay->event = line.event;
    if (start)
        replay->event.run = replay->run;
    if (step(replay, NULL) != line.status)
        replay->report->disagreements++;
    replay->report->events++;
    return TAUT_OK;
}

/* Journal lines that stand before row `rows` + 1. */
static enum taut_status give_events(struct replay *replay, int64_t rows, struct taut_diag *diag)
{
    while (replay->place < replay->places.count && replay->places.row[replay->place] <= rows && next_line(&replay->journal)) {
        replay->place++;
        enum taut_status status = give_line(replay, diag);
        if (status)
            return status;
    }
    return TAUT_OK;
}

static enum taut_status give_row(struct replay *replay, const struct taut_trace_columns *columns, struct taut_diag *diag)
{
    int64_t lost;
    if (taut_trace_is_gap(replay->trace.text, &lost)) {
        replay->report->rows += lost;
        replay->report->lost_rows += lost;
        return TAUT_OK;
    }
    struct taut_event *event = &replay->event;
    *event = (struct taut_event){.kind = TAUT_EVENT_SWEEP};
    enum taut_status status = taut_trace_parse(columns, replay->trace.text, &event->wall_ns, &event->t_ns, &event->sweep, diag);
    if (status)
        return at_line(&replay->trace, status, diag);
    if (event->t_ns < replay->report->last_t_ns)
        return at_line(&replay->trace, taut_diag_set(diag, TAUT_E_FORMAT, "elapsed_s is less than in the row before"), diag);
    status = step(replay, diag);
    if (status)
        return at_line(&replay->trace, TAUT_E_FORMAT, diag);
    replay->report->rows++;
    return TAUT_OK;
}

static enum taut_status run_all(struct replay *replay, struct taut_diag *diag)
{
    struct taut_trace_columns columns;
    enum taut_status status = begin(replay, diag);
    if (status)
        return status;
    if (!next_line(&replay->trace))
        return taut_diag_set(diag, TAUT_E_FORMAT, "%.200s has no header line", replay->trace.path);
    status = taut_trace_columns(&replay->station->setup, replay->trace.text, &columns, diag);
    if (status)
        return at_line(&replay->trace, status, diag);
    do
        status = give_events(replay, replay->report->rows, diag);
    while (status == TAUT_OK && next_line(&replay->trace) && (status = give_row(replay, &columns, diag)) == TAUT_OK);
    if (status == TAUT_OK)
        status = give_events(replay, INT64_MAX - 1, diag);
    while (status == TAUT_OK && next_line(&replay->journal)) /* none, unless the file grew: only to count torn bytes */
        status = give_line(replay, diag);
    replay->report->torn_bytes = replay->trace.torn + replay->journal.torn;
    return status;
}

enum taut_status tautd_replay(const char *folder, struct taut_station *out, struct tautd_replay_report *report,
                              struct taut_diag *diag)
{
    struct replay *replay = calloc(1, sizeof *replay);
    if (!replay)
        return taut_diag_set(diag, TAUT_E_MEMORY, "no memory");
    *report = (struct tautd_replay_report){0};
    replay->station = out;
    replay->report = report;
    enum taut_status status = read_places(folder, &replay->places, diag);
    if (status == TAUT_OK)
        status = open_lines(&replay->journal, folder, TAUTD_JOURNAL, diag);
    if (status == TAUT_OK)
        status = open_lines(&replay->trace, folder, TAUTD_TRACE, diag);
    if (status == TAUT_OK)
        status = run_all(replay, diag);
    close_lines(&replay->trace);
    close_lines(&replay->journal);
    free(replay->places.row);
    free(replay);
    return status;
}
