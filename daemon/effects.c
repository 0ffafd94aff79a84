#include <stdio.h>
#include <string.h>

#include "log.h"
#include "loop.h"
#include "taut/taut.h"

static const char software[] = "taut " TAUT_VERSION;

int64_t tautd_effects_station_ns(const struct tautd_place *place, int64_t mono_ns)
{
    int64_t ms = (mono_ns - place->epoch_ns + TAUT_NS_PER_MS / 2) / TAUT_NS_PER_MS;
    return (ms > 0 ? ms : 0) * TAUT_NS_PER_MS;
}

/* ---- facts for hooks -------------------------------------------------------------------------------------- */

static void common_facts(struct tautd_loop *loop, int station, struct tautd_facts *facts)
{
    const struct taut_station *s = &loop->place[station].station;
    char time[TAUT_TIME_TEXT_MAX];
    taut_time_print(s->now_wall_ns, time);
    tautd_facts_add(facts, "STATION", "%s", s->setup.name);
    tautd_facts_add(facts, "PART", "%s", s->run.part);
    tautd_facts_add(facts, "RUN", "%d", s->run.number);
    tautd_facts_add(facts, "PHASE", "%s", taut_phase_text(s->phase));
    tautd_facts_add(facts, "TIME", "%s", time);
    if (s->latest[TAUT_ROLE_VENT].quality == TAUT_QUALITY_GOOD)
        tautd_facts_add(facts, "PRESSURE_MBAR", "%.3f", taut_mbar(s->latest[TAUT_ROLE_VENT].value));
    if (loop->place[station].folder)
        tautd_facts_add(facts, "FOLDER", "%s", tautd_folder_path(loop->place[station].folder));
}

static void tell_alarm(struct tautd_loop *loop, int station, const struct taut_effect *effect)
{
    const struct taut_station_alarm *a = &loop->place[station].station.alarm[effect->alarm];
    tautd_log(taut_alarm_calls(&a->alarm) ? TAUTD_WARNING : TAUTD_NOTICE, "station %s: alarm %s%s%s",
              loop->place[station].station.setup.name, effect->text, a->alarm.condition ? ": " : "",
              a->alarm.condition ? a->evidence : "");
    struct tautd_facts facts = {0};
    tautd_facts_add(&facts, "EVENT", "alarm");
    common_facts(loop, station, &facts);
    tautd_facts_add(&facts, "ALARM", "%s", taut_alarm_kind_text(effect->alarm));
    tautd_facts_add(&facts, "ALARM_STATE", "%s", taut_alarm_state_text(a->alarm.state));
    tautd_facts_add(&facts, "PRIORITY", "%s", taut_alarm_priority_text(taut_alarm_kind_design(effect->alarm)->priority));
    tautd_facts_add(&facts, "CAUSE", "%s", taut_cause_text(a->cause));
    tautd_facts_add(&facts, "EVIDENCE", "%s", a->evidence);
    tautd_facts_add(&facts, "ADVICE", "%s", taut_alarm_kind_advice(effect->alarm));
    tautd_hooks_run(loop->hooks, loop->config->on_alarm, &facts, loop->config->hook_s);
}

static void tell_verdict(struct tautd_loop *loop, int station, const struct taut_effect *effect)
{
    const struct taut_droptest_result *r = &loop->place[station].station.test[effect->test].result;
    tautd_log(TAUTD_NOTICE, "station %s: drop test %s; leak rate %.3f mbar/min (%.3f to %.3f)",
              loop->place[station].station.setup.name, effect->text, taut_mbar_per_min(r->rate_pa_per_s),
              taut_mbar_per_min(r->rate_low_pa_per_s), taut_mbar_per_min(r->rate_high_pa_per_s));
    struct tautd_facts facts = {0};
    tautd_facts_add(&facts, "EVENT", "verdict");
    common_facts(loop, station, &facts);
    tautd_facts_add(&facts, "VERDICT", "%s", taut_verdict_text(r->verdict));
    tautd_facts_add(&facts, "WHY", "%s", taut_droptest_why_text(r->why));
    tautd_facts_add(&facts, "RATE_MBAR_PER_MIN", "%.4f", taut_mbar_per_min(r->rate_pa_per_s));
    tautd_facts_add(&facts, "RATE_LOW_MBAR_PER_MIN", "%.4f", taut_mbar_per_min(r->rate_low_pa_per_s));
    tautd_facts_add(&facts, "RATE_HIGH_MBAR_PER_MIN", "%.4f", taut_mbar_per_min(r->rate_high_pa_per_s));
    tautd_hooks_run(loop->hooks, loop->config->on_verdict, &facts, loop->config->hook_s);
}

/* ---- record ------------------------------------------------------------------------------------------------ */

void tautd_effects_record(struct tautd_loop *loop, const struct taut_station *station, struct tautd_folder *folder)
{
    struct taut_text text;
    taut_text_init(&text, loop->text, TAUTD_TEXT_BYTES);
    taut_record_print(station, software, NULL, &text);
    if (text.full)
        tautd_log(TAUTD_ERROR, "record of %s is too large and was left out", station->run.part);
    else
        tautd_folder_put(folder, "record.json", text.at, text.length);
}

static void journal(struct tautd_place *place, const struct taut_text *line)
{
    if (place->folder && line->length)
        tautd_folder_journal(place->folder, line->at, line->length);
}

static void row_word(struct tautd_place *place, const char *kind, const char *what)
{
    size_t used = strlen(place->row_text);
    snprintf(place->row_text + used, sizeof place->row_text - used, "%s%s%s", used ? "; " : "", kind, what);
}

/* ---- one step ---------------------------------------------------------------------------------------------- */

static void carry_out(struct tautd_loop *loop, int station, const struct taut_effect *effect)
{
    struct tautd_place *place = &loop->place[station];
    char storage[TAUT_JOURNAL_LINE_MAX];
    struct taut_text line;
    taut_text_init(&line, storage, sizeof storage);
    taut_journal_effect(&place->station, effect, place->rows, &line);
    journal(place, &line);
    switch (effect->kind) {
    case TAUT_EFFECT_PHASE:
        row_word(place, "phase ", taut_phase_text(effect->to));
        tautd_log(TAUTD_NOTICE, "station %s: %s", place->station.setup.name, taut_phase_text(effect->to));
        if (place->folder)
            tautd_effects_record(loop, &place->station, place->folder);
        tautd_api_publish(loop->api, station, "phase");
        break;
    case TAUT_EFFECT_VALVE: {
        int output = loop->config->station[station].valve_index;
        row_word(place, "valve ", effect->open ? "open" : "closed");
        if (output >= 0 && tautd_bus_write(loop->bus, output, effect->open == loop->config->output[output].active_high))
            tautd_log(TAUTD_ERROR, "station %s: valve command could not be queued", place->station.setup.name);
        break;
    }
    case TAUT_EFFECT_VERDICT:
        row_word(place, "verdict ", taut_verdict_text(place->station.test[effect->test].result.verdict));
        tell_verdict(loop, station, effect);
        tautd_api_publish(loop->api, station, "verdict");
        break;
    case TAUT_EFFECT_ALARM:
        row_word(place, "alarm ", effect->text);
        tell_alarm(loop, station, effect);
        tautd_api_publish(loop->api, station, "alarm");
        break;
    case TAUT_EFFECT_CLOSE:
        if (place->folder) {
            tautd_effects_record(loop, &place->station, place->folder);
            tautd_log(TAUTD_NOTICE, "station %s: part %s is in %s", place->station.setup.name, place->station.run.part,
                      tautd_folder_path(place->folder));
            tautd_folder_seal(place->folder);
            place->folder = NULL;
        }
        break;
    case TAUT_EFFECT_OPEN:
    case TAUT_EFFECT_NOTE:
        break;
    }
}

/* The row is written after the step, so that its phase is the one the reading led to; it is counted before the
 * effects are journalled, so that "row" there means "after this row". */
static void write_row(struct tautd_loop *loop, int station, const struct taut_event *event)
{
    struct tautd_place *place = &loop->place[station];
    char storage[1024];
    struct taut_text row;
    taut_text_init(&row, storage, sizeof storage);
    place->row_mono_ns = loop->now_mono_ns;
    if (!place->folder)
        return;
    taut_trace_row(&place->station.setup, &place->trace_clock, event->wall_ns, place->station.now_ns, place->station.phase,
                   &event->sweep, place->row_text, &row);
    place->row_text[0] = '\0';
    place->rows++;
    tautd_folder_trace(place->folder, row.at, row.length, 1);
}

enum taut_status tautd_effects_step(struct tautd_loop *loop, int station, struct taut_event *event, struct taut_diag *diag)
{
    struct tautd_place *place = &loop->place[station];
    struct taut_effects effects;
    enum taut_status status = taut_station_step(&place->station, event, &effects, diag);
    if (event->kind == TAUT_EVENT_SWEEP) {
        write_row(loop, station, event);
        tautd_api_publish(loop->api, station, "sweep");
    } else if (place->folder) {
        char storage[TAUT_JOURNAL_LINE_MAX];
        struct taut_text line;
        taut_text_init(&line, storage, sizeof storage);
        taut_journal_event(event, place->rows, status, &line);
        journal(place, &line);
        if (event->kind == TAUT_EVENT_COMMAND)
            row_word(place, "", taut_verb_text(event->command.verb));
    }
    for (int i = 0; i < effects.count; i++)
        carry_out(loop, station, &effects.effect[i]);
    return status;
}

/* ---- starting a part ---------------------------------------------------------------------------------------- */

static enum taut_status find_recipe(const struct tautd_config *config, int station, const char *name,
                                    const struct taut_recipe **out, struct taut_diag *diag)
{
    if (!name[0])
        name = config->station[station].recipe;
    if (!name[0])
        return taut_diag_set(diag, TAUT_E_ARG, "which recipe? Station %s has none of its own", config->station[station].name);
    for (int i = 0; i < config->recipes; i++)
        if (strcmp(config->recipe[i].name, name) == 0) {
            *out = &config->recipe[i];
            return TAUT_OK;
        }
    return taut_diag_set(diag, TAUT_E_NOENT, "no recipe \"%s\"", name);
}

enum taut_status tautd_effects_start(struct tautd_loop *loop, int station, const struct taut_command *command, const char *part,
                                     const char *recipe_name, struct taut_diag *diag)
{
    struct tautd_place *place = &loop->place[station];
    if (taut_station_running(&place->station))
        return taut_diag_set(diag, TAUT_E_STATE, "station %s is in %s with part %s: finish or abort it first",
                             place->station.setup.name, taut_phase_text(place->station.phase), place->station.run.part);
    const struct taut_recipe *recipe = NULL;
    char folder_name[TAUT_FOLDER_NAME_MAX];
    enum taut_status status = find_recipe(loop->config, station, recipe_name, &recipe, diag);
    if (!status)
        status = taut_part_folder(part, folder_name, diag);
    struct taut_event event = {.kind = TAUT_EVENT_COMMAND, .t_ns = 0, .wall_ns = loop->now_wall_ns, .command = *command};
    if (!status)
        status = tautd_sink_next_run(loop->sink, part, &event.run.number, diag);
    if (status)
        return status;
    snprintf(event.run.part, sizeof event.run.part, "%s", part);
    snprintf(event.run.who, sizeof event.run.who, "%s", command->who);
    event.run.started_wall_ns = loop->now_wall_ns;
    event.run.recipe = *recipe;

    *loop->scratch = place->station;
    struct taut_effects effects;
    status = taut_station_step(&place->station, &event, &effects, diag);
    if (status)
        return status;
    place->folder = tautd_sink_open(loop->sink, station, &place->station.setup, &place->station.run, diag);
    if (!place->folder) {
        place->station = *loop->scratch;
        return diag ? diag->status : TAUT_E_IO;
    }
    place->epoch_ns = loop->now_mono_ns;
    place->rows = 0;
    place->row_mono_ns = loop->now_mono_ns;
    memset(&place->trace_clock, 0, sizeof place->trace_clock);
    memset(&place->sweep, 0, sizeof place->sweep);
    place->row_text[0] = '\0';
    row_word(place, "", "start");
    for (int i = 0; i < effects.count; i++)
        carry_out(loop, station, &effects.effect[i]);
    return TAUT_OK;
}
