#include <stdio.h>
#include <string.h>

#include "station/step.h"
#include "taut/units.h"

#define IN(phase)  (1u << TAUT_PHASE_##phase)
#define RUN_PHASES (IN(DRAWDOWN) | IN(SETTLE) | IN(DROP_TEST) | IN(READY) | IN(FILL) | IN(CLAMPED) | IN(CURE))

/* In which phases an alarm means anything. Elsewhere it is suppressed by design. */
static const unsigned meaningful[TAUT_ALARM_KINDS] = {
    [TAUT_ALARM_KIND_VACUUM_LOSS] = IN(FILL) | IN(CLAMPED) | IN(CURE),
    [TAUT_ALARM_KIND_VACUUM_LIMIT] = IN(FILL) | IN(CURE),
    [TAUT_ALARM_KIND_SENSOR] = RUN_PHASES,
    [TAUT_ALARM_KIND_COMMUNICATION] = RUN_PHASES,
    [TAUT_ALARM_KIND_SUPPLY] = IN(FILL) | IN(CURE),
    [TAUT_ALARM_KIND_VALVE] = RUN_PHASES,
    [TAUT_ALARM_KIND_NOT_HOLDING] = IN(DRAWDOWN),
    [TAUT_ALARM_KIND_RECORD] = RUN_PHASES | IN(DONE),
};

static bool is_communication(enum taut_reason reason)
{
    switch (reason) {
    case TAUT_REASON_STALE:
    case TAUT_REASON_NO_ANSWER:
    case TAUT_REASON_EXCEPTION:
    case TAUT_REASON_BAD_FRAME:
    case TAUT_REASON_LINE_DOWN:
        return true;
    default:
        return false;
    }
}

static bool condition(const struct taut_station *s, enum taut_alarm_kind kind)
{
    const struct taut_sample *vent = &s->latest[TAUT_ROLE_VENT];
    const struct taut_watch_finding *found = &s->watch.finding;
    bool bad = s->latest_ns[TAUT_ROLE_VENT] >= 0 && vent->quality != TAUT_QUALITY_GOOD;
    switch (kind) {
    case TAUT_ALARM_KIND_VACUUM_LOSS:
        return (found->rate_alarm || found->level_alarm) && found->cause != TAUT_CAUSE_SUPPLY &&
               found->cause != TAUT_CAUSE_SENSOR && found->cause != TAUT_CAUSE_COMMUNICATION;
    case TAUT_ALARM_KIND_VACUUM_LIMIT:
        return found->limit_alarm;
    case TAUT_ALARM_KIND_SENSOR:
        return (bad && !is_communication(vent->reason)) || found->cause == TAUT_CAUSE_SENSOR;
    case TAUT_ALARM_KIND_COMMUNICATION:
        return bad && is_communication(vent->reason);
    case TAUT_ALARM_KIND_SUPPLY:
        return found->cause == TAUT_CAUSE_SUPPLY;
    case TAUT_ALARM_KIND_VALVE:
        return s->valve_failed || found->cause == TAUT_CAUSE_VALVE;
    case TAUT_ALARM_KIND_NOT_HOLDING:
        return s->phase == TAUT_PHASE_DRAWDOWN && s->below_since_ns < 0 &&
               (s->drawdown.result.state == TAUT_DRAWDOWN_NOT_HOLDING ||
                (s->tests == 0 && taut_seconds(s->now_ns - s->phase_ns) > s->run.recipe.drawdown_max_s));
    case TAUT_ALARM_KIND_RECORD:
        return s->record_failed;
    case TAUT_ALARM_KINDS:
        break;
    }
    return false;
}

static void explain(const struct taut_station *s, enum taut_alarm_kind kind, struct taut_station_alarm *a)
{
    const struct taut_sample *vent = &s->latest[TAUT_ROLE_VENT];
    bool vent_bad = vent->quality != TAUT_QUALITY_GOOD;
    a->cause = TAUT_CAUSE_NONE;
    a->confidence = 0;
    switch (kind) {
    case TAUT_ALARM_KIND_VACUUM_LOSS:
    case TAUT_ALARM_KIND_VACUUM_LIMIT:
    case TAUT_ALARM_KIND_SUPPLY:
        a->cause = s->watch.finding.cause;
        a->confidence = s->watch.finding.confidence;
        snprintf(a->evidence, sizeof a->evidence, "%s", s->watch.finding.evidence);
        break;
    case TAUT_ALARM_KIND_SENSOR:
    case TAUT_ALARM_KIND_COMMUNICATION:
        a->cause = kind == TAUT_ALARM_KIND_SENSOR ? TAUT_CAUSE_SENSOR : TAUT_CAUSE_COMMUNICATION;
        a->confidence = 1;
        if (vent_bad)
            snprintf(a->evidence, sizeof a->evidence, "%s is %s: %s", s->setup.channel[TAUT_ROLE_VENT].name,
                     taut_quality_text(vent->quality), taut_reason_text(vent->reason));
        else
            snprintf(a->evidence, sizeof a->evidence, "%s", s->watch.finding.evidence);
        break;
    case TAUT_ALARM_KIND_VALVE:
        a->cause = TAUT_CAUSE_VALVE;
        a->confidence = 1;
        snprintf(a->evidence, sizeof a->evidence, "%s",
                 s->valve_failed ? "the valve's output could not be written" : s->watch.finding.evidence);
        break;
    case TAUT_ALARM_KIND_NOT_HOLDING:
        snprintf(a->evidence, sizeof a->evidence, "%.1f mbar after %.0f s of drawdown; wanted below %.1f mbar",
                 taut_mbar(vent->value), taut_seconds(s->now_ns - s->phase_ns), taut_mbar(s->run.recipe.drawdown_below_pa));
        break;
    case TAUT_ALARM_KIND_RECORD:
        snprintf(a->evidence, sizeof a->evidence, "the part's folder can not be written");
        break;
    case TAUT_ALARM_KINDS:
        break;
    }
}

static void tell(struct taut_station *s, enum taut_alarm_kind kind, struct taut_effects *effects)
{
    struct taut_effect *e = step_effect(effects, TAUT_EFFECT_ALARM);
    if (!e)
        return;
    e->alarm = kind;
    snprintf(e->text, sizeof e->text, "%s %s", taut_alarm_kind_text(kind), taut_alarm_state_text(s->alarm[kind].alarm.state));
}

/* Out of its phases an alarm that is normal is suppressed; one that still calls goes on calling until it is
 * acknowledged: nothing is silenced by hiding. Not told to anyone: there is nothing to see or do. */
static void fit_to_phase(struct taut_alarm *alarm, const struct taut_alarm_design *design, bool means, int64_t t_ns)
{
    bool did;
    if (means && alarm->state == TAUT_ALARM_DSUPR)
        (void)!taut_alarm_act(alarm, design, TAUT_ALARM_UNSUPPRESS, t_ns, 0, &did);
    if (!means && alarm->state == TAUT_ALARM_NORM)
        (void)!taut_alarm_act(alarm, design, TAUT_ALARM_SUPPRESS, t_ns, 0, &did);
}

/* Delays and shelving run out in between, so all alarms are looked at this often even when nothing changes. */
enum { LOOK_NS = 500000000 };

static unsigned conditions(const struct taut_station *s)
{
    unsigned all = 1u << (TAUT_ALARM_KINDS + s->phase);
    for (int k = 0; k < TAUT_ALARM_KINDS; k++)
        if ((meaningful[k] & (1u << s->phase)) != 0 && condition(s, (enum taut_alarm_kind)k))
            all |= 1u << k;
    return all;
}

void step_alarms(struct taut_station *s, struct taut_effects *effects)
{
    unsigned now = conditions(s);
    if (now == s->alarm_conditions && s->now_ns - s->alarms_ns < LOOK_NS)
        return;
    s->alarm_conditions = now;
    s->alarms_ns = s->now_ns;
    for (int k = 0; k < TAUT_ALARM_KINDS; k++) {
        enum taut_alarm_kind kind = (enum taut_alarm_kind)k;
        struct taut_station_alarm *a = &s->alarm[kind];
        const struct taut_alarm_design *design = taut_alarm_kind_design(kind);
        bool means = (meaningful[kind] & (1u << s->phase)) != 0;
        fit_to_phase(&a->alarm, design, means, s->now_ns);
        bool was = a->alarm.condition;
        bool changed = taut_alarm_input(&a->alarm, design, (now & (1u << k)) != 0, s->now_ns);
        if (!was && a->alarm.condition) {
            a->times++;
            a->raised_wall_ns = s->now_wall_ns;
            explain(s, kind, a);
        }
        if (changed)
            tell(s, kind, effects);
    }
}

static enum taut_status act_on(struct taut_station *s, enum taut_alarm_kind kind, const struct taut_command *c,
                               struct taut_effects *effects)
{
    static const enum taut_alarm_event events[TAUT_VERBS] = {
        [TAUT_VERB_ACKNOWLEDGE] = TAUT_ALARM_ACKNOWLEDGE,
        [TAUT_VERB_RESET] = TAUT_ALARM_RESET,
        [TAUT_VERB_SHELVE] = TAUT_ALARM_SHELVE,
        [TAUT_VERB_UNSHELVE] = TAUT_ALARM_UNSHELVE,
    };
    bool did = false;
    int64_t until = c->verb == TAUT_VERB_SHELVE ? s->now_ns + taut_ns(c->number) : 0;
    enum taut_status status =
        taut_alarm_act(&s->alarm[kind].alarm, taut_alarm_kind_design(kind), events[c->verb], s->now_ns, until, &did);
    if (did)
        tell(s, kind, effects);
    return status;
}

enum taut_status step_alarm_command(struct taut_station *s, const struct taut_command *c, struct taut_effects *effects,
                                    struct taut_diag *diag)
{
    if (c->verb == TAUT_VERB_SHELVE && !(c->number >= 1 && c->number <= 86400))
        return taut_diag_set(diag, TAUT_E_ARG, "an alarm is shelved for 1 to 86400 s");
    if (c->alarm == TAUT_ALARM_KINDS && c->verb == TAUT_VERB_ACKNOWLEDGE) {
        for (int k = 0; k < TAUT_ALARM_KINDS; k++)
            if (taut_alarm_calls(&s->alarm[k].alarm))
                (void)!act_on(s, (enum taut_alarm_kind)k, c, effects);
        return TAUT_OK;
    }
    if ((unsigned)c->alarm >= TAUT_ALARM_KINDS)
        return taut_diag_set(diag, TAUT_E_ARG, "which alarm? Name one, such as vacuum-loss");
    enum taut_status status = act_on(s, c->alarm, c, effects);
    if (status)
        return taut_diag_set(diag, status, "alarm %s is %s: %s has no meaning now", taut_alarm_kind_text(c->alarm),
                             taut_alarm_state_text(s->alarm[c->alarm].alarm.state), taut_verb_text(c->verb));
    return TAUT_OK;
}
