/* A station with a sink behind it, driven as the daemon drives it: step, row or journal line, effects, record. For
 * tests and benches that need whole folders. Include after cmocka.h when that is used. */
#ifndef TT_STATION_H
#define TT_STATION_H

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "sink/sink.h"
#include "tt_part.h"

struct tt_station {
    struct taut_station station;
    struct taut_effects effects;
    struct taut_trace_clock clock;
    struct tautd_sink *sink;
    struct tautd_folder *folder;
    char path[4096];
    int64_t rows, t_ms, wall_shift_ns;
    uint64_t seed;
    char storage[TAUT_RECORD_MAX];
};

static inline void tt_station_put_record(struct tt_station *s)
{
    struct taut_text text;
    taut_text_init(&text, s->storage, sizeof s->storage);
    taut_record_print(&s->station, "tautd " TAUT_VERSION, NULL, &text);
    tautd_folder_put(s->folder, "record.json", text.at, text.length);
}

static inline void tt_station_effects(struct tt_station *s)
{
    for (int i = 0; i < s->effects.count; i++) {
        struct taut_text text;
        taut_text_init(&text, s->storage, sizeof s->storage);
        taut_journal_effect(&s->station, &s->effects.effect[i], s->rows, &text);
        tautd_folder_journal(s->folder, text.at, text.length);
        if (s->effects.effect[i].kind == TAUT_EFFECT_CLOSE) {
            tt_station_put_record(s);
            tautd_folder_seal(s->folder);
            s->folder = NULL;
            return;
        }
    }
}

static inline enum taut_status tt_station_give(struct tt_station *s, struct taut_event *event)
{
    struct taut_text text;
    event->t_ns = s->t_ms * 1000000;
    event->wall_ns = TT_START_WALL_NS + event->t_ns + s->wall_shift_ns;
    enum taut_status status = taut_station_step(&s->station, event, &s->effects, NULL);
    taut_text_init(&text, s->storage, sizeof s->storage);
    if (event->kind == TAUT_EVENT_SWEEP) {
        taut_trace_row(&s->station.setup, &s->clock, event->wall_ns, s->station.now_ns, s->station.phase, &event->sweep, "",
                       &text);
        tautd_folder_trace(s->folder, text.at, text.length, 1);
        s->rows++;
    } else {
        taut_journal_event(event, s->rows, status, &text);
        tautd_folder_journal(s->folder, text.at, text.length);
    }
    tt_station_effects(s);
    if (s->folder && s->rows % 50 == 0)
        tautd_sink_flush(s->sink);
    return status;
}

static inline enum taut_status tt_station_command(struct tt_station *s, enum taut_verb verb, const char *words)
{
    struct taut_event event = {
        .kind = TAUT_EVENT_COMMAND, .command = {.verb = verb, .who = "skerry", .alarm = TAUT_ALARM_KINDS}
    };
    snprintf(event.command.text, sizeof event.command.text, "%s", words);
    return tt_station_give(s, &event);
}

/* Begin part and folder; false when the folder can not be made. */
static inline bool tt_station_start_as(struct tt_station *s, struct tautd_sink *sink, const struct taut_run *run)
{
    struct taut_station_setup setup = tt_setup();
    struct taut_event event = {.kind = TAUT_EVENT_COMMAND, .command = {.verb = TAUT_VERB_START}, .run = *run};
    memset(s, 0, sizeof *s);
    s->sink = sink;
    s->seed = 1;
    taut_station_init(&s->station, &setup);
    event.wall_ns = TT_START_WALL_NS;
    if (taut_station_step(&s->station, &event, &s->effects, NULL))
        return false;
    s->folder = tautd_sink_open(sink, 0, &s->station.setup, &s->station.run, NULL);
    if (!s->folder)
        return false;
    snprintf(s->path, sizeof s->path, "%s", tautd_folder_path(s->folder));
    tt_station_effects(s);
    return true;
}

static inline bool tt_station_start(struct tt_station *s, struct tautd_sink *sink, const char *part, int number)
{
    struct taut_run run = tt_run(part, number);
    return tt_station_start_as(s, sink, &run);
}

/* One sweep, 100 ms after the last: vent at `n` thousandths of a mbar with noise of a few thousandths that remembers. */
static inline void tt_station_sweep(struct tt_station *s, int64_t n)
{
    int64_t noise = (int64_t)(tt_random(&s->seed) % 9) + tt_random(&s->seed) % 9 - 8;
    struct taut_event event = {.kind = TAUT_EVENT_SWEEP, .sweep = tt_sweep(n + noise)};
    s->t_ms += 100;
    tt_station_give(s, &event);
}

/* Drawdown to 5 mbar, shut-off, the drop test to its end; a leak of `rate` thousandths of a mbar per minute. */
static inline void tt_station_test(struct tt_station *s, int64_t rate)
{
    for (int64_t i = 0; i < 600 && s->station.phase == TAUT_PHASE_DRAWDOWN; i++)
        tt_station_sweep(s, 5000 + (i < 300 ? (300 - i) * (300 - i) : 0));
    tt_station_command(s, TAUT_VERB_ISOLATE, "");
    for (int64_t i = 0; i < 12000 && (s->station.phase == TAUT_PHASE_SETTLE || s->station.phase == TAUT_PHASE_DROP_TEST); i++) {
        int64_t early = i < 400 ? 400 - (400 - i) * (400 - i) / 400 : 400; /* evening out, over within 40 s */
        tt_station_sweep(s, 5000 + early + rate * i / 600);
    }
}

/* A whole part. `odd`: readings go bad now and then, the clock is set back an hour, commands are refused. */
static inline void tt_station_make_part(struct tt_station *s, int64_t rate, bool odd, bool leave_open)
{
    tt_station_command(s, TAUT_VERB_CURE, ""); /* refused */
    if (odd) {
        struct taut_event bad = {.kind = TAUT_EVENT_SWEEP, .sweep = tt_sweep(5000)};
        bad.sweep.sample[TAUT_ROLE_VENT] = tt_bad(TAUT_REASON_NO_ANSWER);
        bad.sweep.sample[TAUT_ROLE_FAR] = (struct taut_sample){tt_pa(-12), TAUT_QUALITY_UNCERTAIN, TAUT_REASON_UNDER_RANGE};
        for (int i = 0; i < 20; i++, s->t_ms += 100)
            tt_station_give(s, &bad);
        struct taut_event nothing = {.kind = TAUT_EVENT_SWEEP}, step = {.kind = TAUT_EVENT_CLOCK_STEP};
        tt_station_give(s, &nothing);
        s->wall_shift_ns = step.step_ns = -INT64_C(3600000000000);
        tt_station_give(s, &step);
        tt_station_command(s, TAUT_VERB_NOTE, "gauge checked, \"ok\"\nsecond line \xC3\xA9");
    }
    tt_station_test(s, rate);
    if (leave_open)
        return;
    if (s->station.phase == TAUT_PHASE_READY) {
        tt_station_command(s, TAUT_VERB_FILL, "");
        for (int i = 0; i < 600; i++)
            tt_station_sweep(s, 5000);
        tt_station_command(s, TAUT_VERB_CLAMP, "");
        tt_station_command(s, TAUT_VERB_CURE, "");
        for (int i = 0; i < 600; i++)
            tt_station_sweep(s, 5000);
        tt_station_command(s, TAUT_VERB_FINISH, "");
    } else {
        tt_station_command(s, TAUT_VERB_ABORT, "leaks, bag to be remade");
    }
}

#endif
