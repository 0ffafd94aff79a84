#include "taut/station.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "station/step.h"
#include "taut/units.h"

/* The barometer's greatest change in an hour that was found in a winter of hourly readings, 3.2 hPa
 * (tests/reference/real_barometer_jfk_2013_q1.csv): what a gauge reading without a barometer may owe to weather. */
#define AMBIENT_DRIFT_PA_PER_S (320.0 / 3600.0)

struct taut_effect *step_effect(struct taut_effects *effects, enum taut_effect_kind kind)
{
    if (effects->count >= TAUT_EFFECTS_MAX)
        return NULL;
    struct taut_effect *e = &effects->effect[effects->count++];
    memset(e, 0, sizeof *e);
    e->kind = kind;
    return e;
}

static void reset_figures(struct taut_phase_figures figures[TAUT_PHASES])
{
    for (int i = 0; i < TAUT_PHASES; i++)
        figures[i] = (struct taut_phase_figures){.lowest_pa = NAN, .highest_pa = NAN};
}

void taut_station_init(struct taut_station *station, const struct taut_station_setup *setup)
{
    memset(station, 0, sizeof *station);
    station->setup = *setup;
    station->valve_open = true;
    station->below_since_ns = station->below_last_ns = -1;
    for (int r = 0; r < TAUT_ROLES; r++) {
        station->latest[r] = (struct taut_sample){.value = NAN, .quality = TAUT_QUALITY_BAD, .reason = TAUT_REASON_STALE};
        station->latest_ns[r] = -1;
    }
    for (int k = 0; k < TAUT_ALARM_KINDS; k++)
        taut_alarm_init(&station->alarm[k].alarm);
    reset_figures(station->figures);
}

const struct taut_test_record *taut_station_last_test(const struct taut_station *station)
{
    return station->tests ? &station->test[(station->tests - 1) % TAUT_TESTS_MAX] : NULL;
}

/* A fresh judge; what is pushed before the bag is shut off teaches it noise and slope. */
static void new_test(struct taut_station *s)
{
    const struct taut_station_channel *vent = &s->setup.channel[TAUT_ROLE_VENT];
    struct taut_droptest_rule rule = taut_droptest_rule_from_recipe(&s->run.recipe);
    rule.resolution_pa = vent->resolution_pa;
    rule.drift_pa_per_s = vent->drift_pa_per_s;
    if (vent->reference != TAUT_REFERENCE_ABSOLUTE && !vent->barometer)
        rule.drift_pa_per_s += AMBIENT_DRIFT_PA_PER_S;
    rule.volume_m3 = s->setup.volume_m3;
    rule.u_volume_m3 = s->setup.u_volume_m3;
    (void)!taut_droptest_init(&s->droptest, &rule); /* the recipe was checked at start */
}

void step_valve(struct taut_station *s, bool open, struct taut_effects *effects)
{
    if (s->setup.valve == TAUT_VALVE_HAND) {
        s->valve_open = open;
        return;
    }
    struct taut_effect *e = step_effect(effects, TAUT_EFFECT_VALVE);
    if (e)
        e->open = open;
    s->valve_open = open;
}

static const enum taut_hold hold_of[TAUT_PHASES] = {
    [TAUT_PHASE_SETTLE] = TAUT_HOLD_LEARN,    [TAUT_PHASE_READY] = TAUT_HOLD_LEARN, [TAUT_PHASE_FILL] = TAUT_HOLD_PUMPED,
    [TAUT_PHASE_CLAMPED] = TAUT_HOLD_CLAMPED, [TAUT_PHASE_CURE] = TAUT_HOLD_CURE,
};

void step_enter(struct taut_station *s, enum taut_phase to, struct taut_effects *effects)
{
    struct taut_effect *e = step_effect(effects, TAUT_EFFECT_PHASE);
    if (e) {
        e->from = s->phase;
        e->to = to;
    }
    s->phase = to;
    s->phase_ns = s->now_ns;
    switch (to) {
    case TAUT_PHASE_DRAWDOWN:
        s->below_since_ns = s->below_last_ns = -1;
        step_valve(s, true, effects);
        new_test(s);
        (void)!taut_drawdown_init(&s->drawdown, s->run.recipe.drawdown_below_pa, s->run.recipe.drawdown_max_s);
        break;
    case TAUT_PHASE_READY:
        step_valve(s, true, effects);
        new_test(s);
        taut_watch_hold(&s->watch, TAUT_HOLD_LEARN, s->now_ns);
        break;
    case TAUT_PHASE_SETTLE:
    case TAUT_PHASE_FILL:
    case TAUT_PHASE_CLAMPED:
    case TAUT_PHASE_CURE:
        taut_watch_hold(&s->watch, hold_of[to], s->now_ns);
        break;
    case TAUT_PHASE_DONE:
        step_effect(effects, TAUT_EFFECT_CLOSE);
        break;
    case TAUT_PHASE_IDLE:
    case TAUT_PHASE_DROP_TEST:
    case TAUT_PHASES:
        break;
    }
}

void step_isolate(struct taut_station *s, struct taut_effects *effects)
{
    s->tight = false;
    step_valve(s, false, effects);
    step_enter(s, TAUT_PHASE_SETTLE, effects);
    if (s->setup.valve == TAUT_VALVE_HAND) /* the operator says it is closed; a driven valve tells by an event */
        taut_droptest_isolate(&s->droptest, s->now_ns);
}

void step_verdict(struct taut_station *s, struct taut_effects *effects)
{
    int slot = s->tests % TAUT_TESTS_MAX;
    s->test[slot] = (struct taut_test_record){
        .ended_ns = s->now_ns, .ended_wall_ns = s->now_wall_ns, .result = *taut_droptest_result(&s->droptest)};
    s->tests++;
    struct taut_effect *e = step_effect(effects, TAUT_EFFECT_VERDICT);
    if (e) {
        e->test = slot;
        snprintf(e->text, sizeof e->text, "%s: %s", taut_verdict_text(s->test[slot].result.verdict),
                 taut_droptest_why_text(s->test[slot].result.why));
    }
    s->tight = s->test[slot].result.verdict == TAUT_VERDICT_PASS;
    step_enter(s, s->tight ? TAUT_PHASE_READY : TAUT_PHASE_DRAWDOWN, effects);
}

/* ---- readings ------------------------------------------------------------------------------------------ */

static void count_figures(struct taut_station *s, const struct taut_sweep *sweep, int64_t before_ns)
{
    struct taut_phase_figures *f = &s->figures[s->phase];
    f->seconds += taut_seconds(s->now_ns - before_ns);
    if (!(sweep->present & (1u << TAUT_ROLE_VENT)))
        return;
    if (!taut_sweep_good(sweep, TAUT_ROLE_VENT)) {
        f->n_not_good++;
        return;
    }
    double p = sweep->sample[TAUT_ROLE_VENT].value;
    f->n_good++;
    f->lowest_pa = fmin(f->lowest_pa, p);
    f->highest_pa = fmax(f->highest_pa, p);
}

static void on_drawdown(struct taut_station *s, const struct taut_sweep *sweep, struct taut_effects *effects)
{
    taut_droptest_push(&s->droptest, s->now_ns, sweep);
    if (!(sweep->present & (1u << TAUT_ROLE_VENT)))
        return;
    if (taut_sweep_good(sweep, TAUT_ROLE_VENT))
        taut_drawdown_push(&s->drawdown, s->now_ns, sweep->sample[TAUT_ROLE_VENT].value);
    if (!taut_sweep_good(sweep, TAUT_ROLE_VENT) || sweep->sample[TAUT_ROLE_VENT].value > s->run.recipe.drawdown_below_pa) {
        s->below_since_ns = -1;
        return;
    }
    s->below_last_ns = s->now_ns;
    if (s->below_since_ns < 0)
        s->below_since_ns = s->now_ns;
    /* The first test starts by itself where the valve can be driven; after a failed one the leak is hunted first. */
    if (s->tests == 0 && s->setup.valve == TAUT_VALVE_DRIVEN &&
        taut_seconds(s->now_ns - s->below_since_ns) >= s->run.recipe.drawdown_hold_s)
        step_isolate(s, effects);
}

static void on_test(struct taut_station *s, const struct taut_sweep *sweep, struct taut_effects *effects)
{
    taut_watch_push(&s->watch, s->now_ns, sweep);
    enum taut_droptest_stage stage = taut_droptest_push(&s->droptest, s->now_ns, sweep);
    if (stage == TAUT_STAGE_DECIDED)
        step_verdict(s, effects);
    else if (stage == TAUT_STAGE_MEASURING && s->phase == TAUT_PHASE_SETTLE)
        step_enter(s, TAUT_PHASE_DROP_TEST, effects);
    else if (stage == TAUT_STAGE_SETTLING && s->phase == TAUT_PHASE_DROP_TEST)
        step_enter(s, TAUT_PHASE_SETTLE, effects);
}

static void on_sweep(struct taut_station *s, const struct taut_sweep *sweep, int64_t before_ns, struct taut_effects *effects)
{
    for (int r = 0; r < TAUT_ROLES; r++) {
        if (!(sweep->present & (1u << r)))
            continue;
        s->latest[r] = sweep->sample[r];
        s->latest_ns[r] = s->now_ns;
    }
    if (!taut_station_running(s))
        return;
    count_figures(s, sweep, before_ns);
    switch (s->phase) {
    case TAUT_PHASE_DRAWDOWN:
        on_drawdown(s, sweep, effects);
        break;
    case TAUT_PHASE_SETTLE:
    case TAUT_PHASE_DROP_TEST:
        on_test(s, sweep, effects);
        break;
    case TAUT_PHASE_READY:
        taut_droptest_push(&s->droptest, s->now_ns, sweep);
        taut_watch_push(&s->watch, s->now_ns, sweep);
        break;
    case TAUT_PHASE_FILL:
    case TAUT_PHASE_CLAMPED:
    case TAUT_PHASE_CURE:
        taut_watch_push(&s->watch, s->now_ns, sweep);
        break;
    case TAUT_PHASE_IDLE:
    case TAUT_PHASE_DONE:
    case TAUT_PHASES:
        break;
    }
    step_alarms(s, effects);
}

/* ---- other events --------------------------------------------------------------------------------------- */

static void stop_test(struct taut_station *s, enum taut_droptest_why why, struct taut_effects *effects)
{
    if (s->phase != TAUT_PHASE_SETTLE && s->phase != TAUT_PHASE_DROP_TEST)
        return;
    taut_droptest_stop(&s->droptest, why);
    step_verdict(s, effects);
}

static void on_valve(struct taut_station *s, bool ok, struct taut_effects *effects)
{
    s->valve_failed = !ok;
    if (!ok)
        stop_test(s, TAUT_WHY_STILL_PUMPED, effects);
    else if (s->phase == TAUT_PHASE_SETTLE && !s->valve_open)
        taut_droptest_isolate(&s->droptest, s->now_ns);
    step_alarms(s, effects);
}

static void on_resume(struct taut_station *s, const struct taut_event *event, struct taut_effects *effects)
{
    struct taut_effect *e = step_effect(effects, TAUT_EFFECT_NOTE);
    if (e)
        snprintf(e->text, sizeof e->text, "taken up again after %.0f s without readings", taut_seconds(event->gap_ns));
    stop_test(s, TAUT_WHY_INTERRUPTED, effects);
    /* Nobody watched: what the last test showed may no longer be so. */
    if (s->phase == TAUT_PHASE_READY) {
        s->tight = false;
        step_enter(s, TAUT_PHASE_DRAWDOWN, effects);
    }
}

static bool start_run(struct taut_station *s, const struct taut_event *event)
{
    struct taut_droptest_rule rule = taut_droptest_rule_from_recipe(&event->run.recipe);
    struct taut_droptest probe;
    struct taut_watch_rule watch = taut_watch_rule_from_recipe(&event->run.recipe);
    watch.resolution_pa = s->setup.channel[TAUT_ROLE_VENT].resolution_pa;
    watch.volume_m3 = s->setup.volume_m3;
    rule.volume_m3 = s->setup.volume_m3;
    rule.u_volume_m3 = s->setup.u_volume_m3;
    if (taut_droptest_init(&probe, &rule))
        return false;
    struct taut_watch fresh;
    if (taut_watch_init(&fresh, &watch))
        return false;
    struct taut_station_setup setup = s->setup;
    taut_station_init(s, &setup);
    s->watch = fresh;
    s->run = event->run;
    s->now_ns = event->t_ns;
    s->now_wall_ns = event->wall_ns;
    return true;
}

static enum taut_status on_start(struct taut_station *s, const struct taut_event *event, struct taut_effects *effects,
                                 struct taut_diag *diag)
{
    if (taut_station_running(s))
        return taut_diag_set(diag, TAUT_E_STATE, "station %s is in %s with part %s: finish or abort it first", s->setup.name,
                             taut_phase_text(s->phase), s->run.part);
    if (!event->run.part[0])
        return taut_diag_set(diag, TAUT_E_ARG, "a part needs an id");
    if (!start_run(s, event))
        return taut_diag_set(diag, TAUT_E_ARG, "recipe %s can not be judged: a limit is missing or a number is out of range",
                             event->run.recipe.name);
    step_effect(effects, TAUT_EFFECT_OPEN);
    step_enter(s, TAUT_PHASE_DRAWDOWN, effects);
    return TAUT_OK;
}

static enum taut_status on_command(struct taut_station *s, const struct taut_event *event, struct taut_effects *effects,
                                   struct taut_diag *diag)
{
    switch (event->command.verb) {
    case TAUT_VERB_START:
        return on_start(s, event, effects, diag);
    case TAUT_VERB_ACKNOWLEDGE:
    case TAUT_VERB_RESET:
    case TAUT_VERB_SHELVE:
    case TAUT_VERB_UNSHELVE:
        return step_alarm_command(s, &event->command, effects, diag);
    default:
        break;
    }
    enum taut_status status = step_phase_command(s, event, effects, diag);
    if (!status)
        step_alarms(s, effects);
    return status;
}

enum taut_status taut_station_step(struct taut_station *s, const struct taut_event *event, struct taut_effects *effects,
                                   struct taut_diag *diag)
{
    effects->count = 0;
    int64_t before_ns = s->now_ns;
    if (event->t_ns > s->now_ns)
        s->now_ns = event->t_ns;
    s->now_wall_ns = event->wall_ns;
    switch (event->kind) {
    case TAUT_EVENT_SWEEP:
        on_sweep(s, &event->sweep, before_ns, effects);
        break;
    case TAUT_EVENT_COMMAND:
        return on_command(s, event, effects, diag);
    case TAUT_EVENT_VALVE:
        on_valve(s, event->ok, effects);
        break;
    case TAUT_EVENT_RECORD:
        s->record_failed = !event->ok;
        step_alarms(s, effects);
        break;
    case TAUT_EVENT_CLOCK_STEP:
        break; /* durations come from the monotonic clock: only the record needs to know */
    case TAUT_EVENT_RESUME:
        on_resume(s, event, effects);
        break;
    }
    return TAUT_OK;
}
