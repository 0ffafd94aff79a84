#include "json.h"
#include "parts.h"
#include "taut/record.h"
#include "taut/units.h"

/* The members' names are the file format: daemon/sink/replay_read.c reads them back. */

static void print_channel(struct taut_json *json, enum taut_role role, const struct taut_station_channel *channel)
{
    bool temperature = role == TAUT_ROLE_TEMPERATURE;
    taut_json_begin(json, NULL, '{');
    taut_json_string(json, "role", taut_role_text(role));
    taut_json_string(json, "name", channel->name);
    taut_json_double(json, temperature ? "u_k" : "u_pa", channel->u_pa);
    taut_json_double(json, temperature ? "resolution_k" : "resolution_pa", channel->resolution_pa);
    taut_json_double(json, temperature ? "drift_k_per_s" : "drift_pa_per_s", channel->drift_pa_per_s);
    taut_json_string(json, "reference", taut_print_reference(channel->reference));
    taut_json_bool(json, "barometer", channel->barometer);
    taut_json_string(json, "calibrated", channel->calibrated);
    taut_json_string(json, "serial", channel->serial);
    taut_json_end(json, '}');
}

/* A line that does not fit is left out whole: half a line would be worse than none. */
static void end_line(struct taut_json *json, size_t start)
{
    taut_json_end(json, '}');
    taut_text_add_char(json->text, '\n');
    if (json->text->full) {
        json->text->length = start;
        json->text->at[start] = '\0';
    }
}

void taut_journal_open(const struct taut_station_setup *setup, const struct taut_run *run, const char *software,
                       struct taut_text *out)
{
    size_t start = out->length;
    struct taut_json json = {.text = out};
    taut_json_begin(&json, NULL, '{');
    taut_json_string(&json, "format", "taut-journal 1");
    taut_json_string(&json, "software", software);
    taut_json_string(&json, "part", run->part);
    taut_json_whole(&json, "run", run->number);
    taut_json_string(&json, "who", run->who);
    taut_json_time(&json, "started_utc", run->started_wall_ns);
    taut_print_recipe(&json, "recipe", &run->recipe);
    taut_json_begin(&json, "station", '{');
    taut_json_string(&json, "name", setup->name);
    taut_json_string(&json, "valve", setup->valve == TAUT_VALVE_DRIVEN ? "driven" : "hand");
    taut_json_double(&json, "volume_m3", setup->volume_m3);
    taut_json_double(&json, "u_volume_m3", setup->u_volume_m3);
    taut_json_begin(&json, "channels", '[');
    for (int role = 0; role < TAUT_ROLES; role++)
        if (setup->channel[role].wired)
            print_channel(&json, (enum taut_role)role, &setup->channel[role]);
    taut_json_end(&json, ']');
    taut_json_end(&json, '}');
    end_line(&json, start);
}

static void begin_line(struct taut_json *json, int64_t rows, int64_t t_ns, int64_t wall_ns)
{
    taut_json_begin(json, NULL, '{');
    taut_json_whole(json, "row", rows);
    taut_json_seconds(json, "elapsed_s", t_ns);
    taut_json_time(json, "time_utc", wall_ns);
}

static void print_command(struct taut_json *json, const struct taut_event *event)
{
    const struct taut_command *command = &event->command;
    taut_json_string(json, "verb", taut_verb_text(command->verb));
    taut_json_string(json, "who", command->who);
    if (command->verb == TAUT_VERB_START) {
        taut_json_string(json, "part", event->run.part);
        taut_json_whole(json, "run", event->run.number);
        taut_json_string(json, "recipe", event->run.recipe.name);
    }
    if (command->verb >= TAUT_VERB_ACKNOWLEDGE)
        taut_json_string(json, "alarm", command->alarm < TAUT_ALARM_KINDS ? taut_alarm_kind_text(command->alarm) : "all");
    if (command->verb == TAUT_VERB_SHELVE)
        taut_json_double(json, "number", command->number);
    if (command->text[0])
        taut_json_string(json, "text", command->text);
}

void taut_journal_event(const struct taut_event *event, int64_t rows, enum taut_status status, struct taut_text *out)
{
    static const char *const kinds[] = {
        [TAUT_EVENT_SWEEP] = "sweep",           [TAUT_EVENT_COMMAND] = "command", [TAUT_EVENT_VALVE] = "valve",
        [TAUT_EVENT_CLOCK_STEP] = "clock-step", [TAUT_EVENT_RECORD] = "record",   [TAUT_EVENT_RESUME] = "resume",
    };
    size_t start = out->length;
    struct taut_json json = {.text = out};
    begin_line(&json, rows, event->t_ns, event->wall_ns);
    taut_json_string(&json, "kind", kinds[event->kind]);
    switch (event->kind) {
    case TAUT_EVENT_COMMAND:
        print_command(&json, event);
        break;
    case TAUT_EVENT_VALVE:
    case TAUT_EVENT_RECORD:
        taut_json_bool(&json, "ok", event->ok);
        break;
    case TAUT_EVENT_CLOCK_STEP:
        taut_json_seconds(&json, "step_s", event->step_ns / TAUT_NS_PER_MS * TAUT_NS_PER_MS);
        break;
    case TAUT_EVENT_RESUME:
        taut_json_seconds(&json, "gap_s", event->gap_ns / TAUT_NS_PER_MS * TAUT_NS_PER_MS);
        break;
    case TAUT_EVENT_SWEEP: /* a row of the trace, never a line here */
        break;
    }
    taut_json_string(&json, "status", taut_status_name(status));
    end_line(&json, start);
}

static void print_alarm(struct taut_json *json, const struct taut_station *station, enum taut_alarm_kind kind)
{
    const struct taut_station_alarm *alarm = &station->alarm[kind];
    taut_json_string(json, "alarm", taut_alarm_kind_text(kind));
    taut_json_string(json, "state", taut_alarm_state_text(alarm->alarm.state));
    taut_json_string(json, "priority", taut_alarm_priority_text(taut_alarm_kind_design(kind)->priority));
    taut_json_string(json, "cause", taut_cause_text(alarm->cause));
    taut_json_rounded(json, "confidence", alarm->confidence, 3);
    taut_json_string(json, "evidence", alarm->evidence);
}

void taut_journal_effect(const struct taut_station *station, const struct taut_effect *effect, int64_t rows,
                         struct taut_text *out)
{
    static const char *const kinds[] = {
        [TAUT_EFFECT_PHASE] = "phase", [TAUT_EFFECT_VALVE] = "valve", [TAUT_EFFECT_VERDICT] = "verdict",
        [TAUT_EFFECT_ALARM] = "alarm", [TAUT_EFFECT_OPEN] = "open",   [TAUT_EFFECT_CLOSE] = "close",
        [TAUT_EFFECT_NOTE] = "note",
    };
    size_t start = out->length;
    struct taut_json json = {.text = out};
    begin_line(&json, rows, station->now_ns, station->now_wall_ns);
    taut_json_string(&json, "effect", kinds[effect->kind]);
    switch (effect->kind) {
    case TAUT_EFFECT_PHASE:
        taut_json_string(&json, "from", taut_phase_text(effect->from));
        taut_json_string(&json, "to", taut_phase_text(effect->to));
        break;
    case TAUT_EFFECT_VALVE:
        taut_json_bool(&json, "open", effect->open);
        break;
    case TAUT_EFFECT_VERDICT:
        taut_print_test(&json, "test", station->tests, &station->test[effect->test]);
        break;
    case TAUT_EFFECT_ALARM:
        print_alarm(&json, station, effect->alarm);
        break;
    case TAUT_EFFECT_OPEN:
    case TAUT_EFFECT_CLOSE:
        break;
    case TAUT_EFFECT_NOTE:
        taut_json_string(&json, "text", effect->text);
        break;
    }
    end_line(&json, start);
}
