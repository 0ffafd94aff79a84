/* A recorded fill put through the watch: what it would have told, and when. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include <cjson/cJSON.h>

#include "taut/taut.h"
#include "tautctl/judge.h"
#include "tautctl/tautctl.h"

enum { EVENTS_MAX = 1000 };

struct event {
    double t_s;
    bool over; /* the loss is over */
    struct taut_watch_finding finding;
};

struct telling {
    struct event *event; /* owned */
    int events;          /* told; only EVENTS_MAX are kept */
    size_t watched;
    double from_s, to_s;
};

/* Phases as the daemon watches them; -1: not watched. */
static int hold_of_phase(int phase)
{
    switch (phase) {
    case TAUT_PHASE_SETTLE:
    case TAUT_PHASE_DROP_TEST:
    case TAUT_PHASE_READY:
        return TAUT_HOLD_LEARN;
    case TAUT_PHASE_FILL:
        return TAUT_HOLD_PUMPED;
    case TAUT_PHASE_CLAMPED:
        return TAUT_HOLD_CLAMPED;
    case TAUT_PHASE_CURE:
        return TAUT_HOLD_CURE;
    default:
        return -1;
    }
}

static int hold_of(const struct tautctl_fill_question *q, const struct tautctl_readings *readings,
                   const struct tautctl_reading *r)
{
    static const int holds[] = {TAUT_HOLD_PUMPED, TAUT_HOLD_ISOLATED, TAUT_HOLD_CLAMPED, TAUT_HOLD_CURE};
    if (readings->phases)
        return hold_of_phase(r->phase);
    return taut_seconds(r->t_ns) < q->learn_s ? TAUT_HOLD_LEARN : holds[q->hold];
}

static struct taut_sweep sweep_of(const struct tautctl_reading *r)
{
    struct taut_sweep sweep = {0};
    if (r->present) {
        sweep.present |= 1u << TAUT_ROLE_VENT;
        sweep.sample[TAUT_ROLE_VENT] = r->p;
    }
    const double other[] = {r->manifold_pa, r->ambient_pa, r->temperature_k};
    static const enum taut_role roles[] = {TAUT_ROLE_MANIFOLD, TAUT_ROLE_AMBIENT, TAUT_ROLE_TEMPERATURE};
    for (int i = 0; i < 3; i++) {
        if (isnan(other[i]))
            continue;
        sweep.present |= 1u << roles[i];
        sweep.sample[roles[i]] = (struct taut_sample){.value = other[i], .quality = TAUT_QUALITY_GOOD};
    }
    return sweep;
}

static void tell(struct telling *t, double t_s, bool over, const struct taut_watch_finding *finding)
{
    if (t->events < EVENTS_MAX)
        t->event[t->events] = (struct event){t_s, over, *finding};
    t->events++;
}

static void watch_all(const struct tautctl_fill_question *q, const struct tautctl_readings *readings, struct taut_watch *watch,
                      struct telling *t)
{
    int hold = -1, phase = -1;
    bool calling = false;
    for (size_t i = 0; i < readings->count; i++) {
        const struct tautctl_reading *r = &readings->at[i];
        int now = hold_of(q, readings, r);
        double t_s = taut_seconds(r->t_ns);
        bool changed = now != hold || (r->phase != phase && r->phase != TAUT_PHASE_DROP_TEST);
        if (changed && now >= 0)
            taut_watch_hold(watch, (enum taut_hold)now, r->t_ns);
        hold = now;
        phase = r->phase;
        if (hold < 0)
            continue;
        struct taut_sweep sweep = sweep_of(r);
        const struct taut_watch_finding *f = taut_watch_push(watch, r->t_ns, &sweep);
        if (t->watched++ == 0)
            t->from_s = t_s;
        t->to_s = t_s;
        bool calls = f->rate_alarm || f->level_alarm || f->limit_alarm;
        if (calls != calling)
            tell(t, t_s, calling, f);
        calling = calls;
    }
}

static const char *kind_of(const struct event *e)
{
    if (e->over)
        return "over";
    return e->finding.rate_alarm ? "rising" : e->finding.level_alarm ? "risen" : "above-limit";
}

static int count_alarms(const struct telling *t)
{
    int n = 0;
    for (int i = 0; i < t->events && i < EVENTS_MAX; i++)
        n += !t->event[i].over;
    return n;
}

static void print_event(const struct event *e)
{
    const struct taut_watch_finding *f = &e->finding;
    if (e->over) {
        printf("%10.1f s  over\n", e->t_s);
        return;
    }
    printf("%10.1f s  %s: %.2f mbar above %.2f mbar", e->t_s, kind_of(e), taut_mbar(f->above_pa), taut_mbar(f->baseline_pa));
    if (isfinite(f->rate_pa_per_s))
        printf(", %.2f \xC2\xB1 %.2f mbar/min", taut_mbar_per_min(f->rate_pa_per_s), taut_mbar_per_min(f->u_rate_pa_per_s));
    if (isfinite(f->since_s))
        printf(", since about %.1f s", e->t_s - f->since_s);
    printf("\n              cause: %s (%.0f %%). %s\n", taut_cause_text(f->cause), f->confidence * 100,
           taut_cause_advice(f->cause));
    if (f->evidence[0])
        printf("              seen: %s\n", f->evidence);
}

static void print_telling(const struct tautctl_fill_question *q, const struct telling *t)
{
    int alarms = count_alarms(t);
    if (alarms == 0)
        printf("NO ALARM in %.1f s of watch (%zu readings)\n", t->to_s - t->from_s, t->watched);
    else
        printf("%d ALARM%s in %.1f s of watch (%zu readings)\n", alarms, alarms == 1 ? "" : "S", t->to_s - t->from_s, t->watched);
    printf("\nWatched for a leak of %g mbar/min or a step of %g mbar, at most one false\nalarm in %g h.\n\n",
           taut_mbar_per_min(q->recipe.fill_leak_pa_per_s), taut_mbar(q->recipe.fill_step_pa), q->recipe.fill_false_alarm_h);
    for (int i = 0; i < t->events && i < EVENTS_MAX; i++)
        print_event(&t->event[i]);
    if (t->events > EVENTS_MAX)
        printf("... and %d more\n", t->events - EVENTS_MAX);
}

static void add_number(cJSON *to, const char *name, double value)
{
    if (isfinite(value))
        cJSON_AddNumberToObject(to, name, value);
    else
        cJSON_AddNullToObject(to, name);
}

static int print_json(const struct tautctl_fill_question *q, const struct telling *t)
{
    cJSON *root = cJSON_CreateObject();
    cJSON_AddStringToObject(root, "format", "taut-fill-watch 1");
    cJSON_AddStringToObject(root, "file", q->path);
    cJSON_AddNumberToObject(root, "alarms", count_alarms(t));
    cJSON_AddNumberToObject(root, "readings", (double)t->watched);
    add_number(root, "from_s", t->from_s);
    add_number(root, "to_s", t->to_s);
    add_number(root, "false_alarm_h", q->recipe.fill_false_alarm_h);
    add_number(root, "leak_mbar_per_min", taut_mbar_per_min(q->recipe.fill_leak_pa_per_s));
    add_number(root, "step_mbar", taut_mbar(q->recipe.fill_step_pa));
    cJSON *events = cJSON_AddArrayToObject(root, "events");
    for (int i = 0; i < t->events && i < EVENTS_MAX; i++) {
        const struct taut_watch_finding *f = &t->event[i].finding;
        cJSON *e = cJSON_CreateObject();
        add_number(e, "t_s", t->event[i].t_s);
        cJSON_AddStringToObject(e, "kind", kind_of(&t->event[i]));
        add_number(e, "baseline_mbar", taut_mbar(f->baseline_pa));
        add_number(e, "above_mbar", taut_mbar(f->above_pa));
        add_number(e, "rate_mbar_per_min", taut_mbar_per_min(f->rate_pa_per_s));
        add_number(e, "u_rate_mbar_per_min", taut_mbar_per_min(f->u_rate_pa_per_s));
        add_number(e, "since_s", f->since_s);
        cJSON_AddStringToObject(e, "cause", taut_cause_text(f->cause));
        add_number(e, "confidence", f->confidence);
        cJSON_AddStringToObject(e, "evidence", f->evidence);
        cJSON_AddItemToArray(events, e);
    }
    char *text = cJSON_Print(root);
    cJSON_Delete(root);
    if (!text)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    puts(text);
    free(text);
    return 0;
}

int tautctl_judge_fill(const struct tautctl_fill_question *q, const struct tautctl_readings *readings)
{
    static struct taut_watch watch; /* large for a stack, once per process */
    struct taut_watch_rule rule = taut_watch_rule_from_recipe(&q->recipe);
    if (taut_watch_init(&watch, &rule) != TAUT_OK)
        return tautctl_say(TAUTCTL_USAGE, "judge: these values of the fill watch do not go together");
    struct telling t = {.event = calloc(EVENTS_MAX, sizeof *t.event)};
    if (!t.event)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    watch_all(q, readings, &watch, &t);
    int code = t.watched == 0 ? tautctl_say(TAUTCTL_BAD_INPUT, "%s: its phase column shows nothing to watch", q->path) : 0;
    if (code == 0 && q->json)
        code = print_json(q, &t);
    else if (code == 0)
        print_telling(q, &t);
    if (code == 0 && count_alarms(&t) > 0)
        code = TAUTCTL_FAIL;
    free(t.event);
    return code;
}
