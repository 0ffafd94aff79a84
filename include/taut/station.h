/** @file station.h  A place where one bag is connected: event in, effects out.
 *
 *  The step is pure. Time reaches a station only by events; every event is journalled (sweeps are the rows of
 *  the trace), so that replaying a part's folder gives the same verdict to the bit.
 *
 *  t_ns counts from the run's start (monotonic, whole milliseconds); before a run it counts from any epoch. */
#ifndef TAUT_STATION_H
#define TAUT_STATION_H

#include <stdbool.h>
#include <stdint.h>

#include "taut/alarm.h"
#include "taut/decode.h"
#include "taut/diag.h"
#include "taut/drawdown.h"
#include "taut/droptest.h"
#include "taut/limits.h"
#include "taut/recipe.h"
#include "taut/sample.h"
#include "taut/status.h"
#include "taut/watch.h"

#ifdef __cplusplus
extern "C" {
#endif

enum taut_phase {
    TAUT_PHASE_IDLE,
    TAUT_PHASE_DRAWDOWN,
    TAUT_PHASE_SETTLE,
    TAUT_PHASE_DROP_TEST,
    TAUT_PHASE_READY,
    TAUT_PHASE_FILL,
    TAUT_PHASE_CLAMPED,
    TAUT_PHASE_CURE,
    TAUT_PHASE_DONE,
    TAUT_PHASES
};

/** "idle", "drawdown", "settle", "drop-test", "ready", "fill", "clamped", "cure", "done". */
const char *taut_phase_text(enum taut_phase phase);
TAUT_NODISCARD enum taut_status taut_phase_parse(const char *text, enum taut_phase *out);

enum taut_verb {
    TAUT_VERB_START,       /* a part with a recipe: idle or done -> drawdown */
    TAUT_VERB_ISOLATE,     /* driven valve: close it; hand valve: the operator says it is closed. drawdown or ready
                              -> settle; above the recipe's drawdown pressure only with a reason in `text` */
    TAUT_VERB_TEST,        /* test again; the same as isolate */
    TAUT_VERB_PUMP,        /* settle or drop-test -> drawdown: stop the test, open to the pump again */
    TAUT_VERB_FILL,        /* ready -> fill; from drawdown only with an override reason in `text` */
    TAUT_VERB_CLAMP,       /* fill -> clamped */
    TAUT_VERB_CURE,        /* fill or clamped -> cure */
    TAUT_VERB_FINISH,      /* cure (or ready, fill, clamped) -> done: the record is closed */
    TAUT_VERB_ABORT,       /* any phase of a run -> done, result aborted; a reason in `text` */
    TAUT_VERB_NOTE,        /* `text` goes into the record */
    TAUT_VERB_ACKNOWLEDGE, /* alarm `alarm`, or all that call when it is TAUT_ALARM_KINDS */
    TAUT_VERB_RESET,
    TAUT_VERB_SHELVE, /* alarm `alarm` for `number` seconds */
    TAUT_VERB_UNSHELVE,
    TAUT_VERBS
};

/** "start", "isolate", "test", "pump", "fill", "clamp", "cure", "finish", "abort", "note", "acknowledge", "reset", "shelve", "unshelve". */
const char *taut_verb_text(enum taut_verb verb);
TAUT_NODISCARD enum taut_status taut_verb_parse(const char *text, enum taut_verb *out);

/** Alarms of a station. */
enum taut_alarm_kind {
    TAUT_ALARM_KIND_VACUUM_LOSS,   /* the watch finds the bag's pressure rising or risen */
    TAUT_ALARM_KIND_VACUUM_LIMIT,  /* above the recipe's plain limit */
    TAUT_ALARM_KIND_SENSOR,        /* the judged sensor is not good */
    TAUT_ALARM_KIND_COMMUNICATION, /* no answers from the judged sensor's unit or line */
    TAUT_ALARM_KIND_SUPPLY,        /* manifold pressure lost */
    TAUT_ALARM_KIND_VALVE,         /* valve command failed, or pressure behaves otherwise than commanded */
    TAUT_ALARM_KIND_NOT_HOLDING,   /* drawdown does not come down: gross leak or open line */
    TAUT_ALARM_KIND_RECORD,        /* trace or record can not be written */
    TAUT_ALARM_KINDS
};

/** "vacuum-loss", "vacuum-limit", "sensor", "communication", "supply", "valve", "not-holding", "record". */
const char *taut_alarm_kind_text(enum taut_alarm_kind kind);
TAUT_NODISCARD enum taut_status taut_alarm_kind_parse(const char *text, enum taut_alarm_kind *out);
/** What to do about it, one sentence. */
const char *taut_alarm_kind_advice(enum taut_alarm_kind kind);
const struct taut_alarm_design *taut_alarm_kind_design(enum taut_alarm_kind kind);

enum taut_valve { TAUT_VALVE_HAND, TAUT_VALVE_DRIVEN };

/** One channel of a station, as far as the judgement needs it; kept in the journal's first line. */
struct taut_station_channel {
    bool wired;
    char name[TAUT_NAME_MAX];
    double u_pa;          /* standard uncertainty (K for the temperature) */
    double resolution_pa; /* 0 when not known */
    double drift_pa_per_s;
    int reference;              /* enum taut_reference */
    bool barometer;             /* a gauge or vacuum channel that is corrected by a barometer channel */
    char calibrated[16];        /* date as configured, "2026-03-01", or "" */
    char serial[TAUT_NAME_MAX]; /* instrument's serial number or "" */
};

/** What stays the same during a run. */
struct taut_station_setup {
    char name[TAUT_NAME_MAX];
    enum taut_valve valve;
    double volume_m3, u_volume_m3; /* NaN when not known */
    struct taut_station_channel channel[TAUT_ROLES];
};

struct taut_run {
    char part[TAUT_PART_ID_MAX];
    int number; /* 1, 2, ... : attempts at this part */
    char who[TAUT_WHO_MAX];
    int64_t started_wall_ns;
    struct taut_recipe recipe;
};

enum taut_event_kind {
    TAUT_EVENT_SWEEP,
    TAUT_EVENT_COMMAND,
    TAUT_EVENT_VALVE,      /* the output was written (ok) or could not be */
    TAUT_EVENT_CLOCK_STEP, /* wall clock jumped by step_ns; for the record only */
    TAUT_EVENT_RECORD,     /* writing the trace fails (ok = false) or works again */
    TAUT_EVENT_RESUME      /* the program was away for gap_ns and has rebuilt this state by replay */
};

struct taut_command {
    enum taut_verb verb;
    char who[TAUT_WHO_MAX];
    char text[TAUT_TEXT_MAX];   /* note, reason */
    enum taut_alarm_kind alarm; /* for acknowledge, reset, shelve */
    double number;              /* for shelve: seconds */
};

struct taut_event {
    enum taut_event_kind kind;
    int64_t t_ns; /* since the run's start; a START command has 0 */
    int64_t wall_ns;
    struct taut_sweep sweep;
    struct taut_command command;
    struct taut_run run; /* for a START command */
    bool ok;             /* VALVE, RECORD */
    int64_t step_ns, gap_ns;
};

enum taut_effect_kind {
    TAUT_EFFECT_PHASE,   /* phase changed: from, to */
    TAUT_EFFECT_VALVE,   /* drive the valve: open */
    TAUT_EFFECT_VERDICT, /* a drop test ended: station->test[test] */
    TAUT_EFFECT_ALARM,   /* alarm changed state: alarm, station->alarm[alarm] */
    TAUT_EFFECT_OPEN,    /* a run began: open its folder */
    TAUT_EFFECT_CLOSE,   /* the run ended: write the record, seal the folder */
    TAUT_EFFECT_NOTE     /* something for the record: text */
};

struct taut_effect {
    enum taut_effect_kind kind;
    enum taut_phase from, to;
    bool open;
    int test;
    enum taut_alarm_kind alarm;
    char text[TAUT_TEXT_MAX];
};

enum { TAUT_EFFECTS_MAX = 24 };

struct taut_effects {
    int count;
    struct taut_effect effect[TAUT_EFFECTS_MAX];
};

/** One drop test in the run's history. */
struct taut_test_record {
    int64_t ended_ns, ended_wall_ns;
    struct taut_droptest_result result;
};

/** What happened to the bag's pressure in one phase; for the record. */
struct taut_phase_figures {
    double seconds;
    double lowest_pa, highest_pa; /* of good vent readings; NaN when none */
    uint32_t n_good, n_not_good;
};

/** An alarm with what it rests on. */
struct taut_station_alarm {
    struct taut_alarm alarm;
    int64_t raised_wall_ns;
    uint32_t times; /* raised in this run */
    enum taut_cause cause;
    double confidence;
    char evidence[TAUT_TEXT_MAX];
};

/** Everything a station knows; plain, no destroy. Readers (API, record) may look at every field. */
struct taut_station {
    struct taut_station_setup setup;
    struct taut_run run; /* of the present or last run */
    enum taut_phase phase;
    int64_t now_ns, now_wall_ns; /* of the last event */
    int64_t phase_ns;            /* when the phase began */
    struct taut_sample latest[TAUT_ROLES];
    int64_t latest_ns[TAUT_ROLES];
    bool valve_open;               /* as commanded (driven) or as the operator said (hand) */
    struct taut_drawdown drawdown; /* how far and how soon the bag comes down, in drawdown */
    struct taut_droptest droptest;
    struct taut_watch watch;
    struct taut_station_alarm alarm[TAUT_ALARM_KINDS];
    unsigned alarm_conditions; /* and phase, when the alarms were last looked at, at alarms_ns */
    int64_t alarms_ns;
    struct taut_test_record test[TAUT_TESTS_MAX]; /* the newest TAUT_TESTS_MAX */
    int tests;                                    /* run so far; may exceed TAUT_TESTS_MAX */
    bool tight;                                   /* the last test passed and nothing has broken it since */
    bool valve_failed;                            /* the last valve command could not be written */
    bool record_failed;                           /* the part's folder can not be written */
    bool aborted;
    char override_reason[TAUT_TEXT_MAX]; /* filled without a passed test; "" else */
    int64_t below_since_ns;              /* drawdown: since when below the target; -1 when not */
    int64_t below_last_ns;               /* drawdown: when it was last below the target; -1 when never */
    struct taut_phase_figures figures[TAUT_PHASES];
};

/** Start idle.  Pure. */
void taut_station_init(struct taut_station *station, const struct taut_station_setup *setup);

/** The one step.   Pure; O(1) amortised.
 *  @param event    its t_ns is not before the last event's
 *  @param effects  caller's storage; emptied first; what the world must now do, in order
 *  @param diag     why a command was refused, for the person who gave it; may be NULL
 *  @return         TAUT_OK; TAUT_E_STATE a command that makes no sense in this phase; TAUT_E_ARG a missing
 *                  reason or bad number. A refused command changes nothing. */
TAUT_NODISCARD enum taut_status taut_station_step(struct taut_station *station, const struct taut_event *event,
                                                  struct taut_effects *effects, struct taut_diag *diag);

/** What the operator should do next, one sentence.  Pure. */
void taut_station_advice(const struct taut_station *station, char out[TAUT_TEXT_MAX]);

/** Is a run going on (any phase but idle and done)? */
static inline bool taut_station_running(const struct taut_station *station)
{
    return station->phase != TAUT_PHASE_IDLE && station->phase != TAUT_PHASE_DONE;
}

/** The last test of the run, or NULL. */
const struct taut_test_record *taut_station_last_test(const struct taut_station *station);

#ifdef __cplusplus
}
#endif
#endif
