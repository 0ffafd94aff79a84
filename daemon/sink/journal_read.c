#include "sink/journal_read.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "taut/recipe.h"
#include "taut/time.h"
#include "taut/units.h"

/* Reading members: the first that is missing or of another kind is remembered, the rest then reads as nothing. */
struct reader {
    const cJSON *object;
    const char *wrong;
};

static const cJSON *member(struct reader *r, const char *name)
{
    const cJSON *item = cJSON_GetObjectItemCaseSensitive(r->object, name);
    if (!item && !r->wrong)
        r->wrong = name;
    return item;
}

static void read_text(struct reader *r, const char *name, char *out, size_t size)
{
    const cJSON *item = member(r, name);
    out[0] = '\0';
    if (!cJSON_IsString(item) || strlen(item->valuestring) >= size) {
        r->wrong = r->wrong ? r->wrong : name;
        return;
    }
    memcpy(out, item->valuestring, strlen(item->valuestring) + 1);
}

/* null is how a number that is not set was written. */
static double read_number(struct reader *r, const char *name)
{
    const cJSON *item = member(r, name);
    if (cJSON_IsNumber(item))
        return item->valuedouble;
    if (!cJSON_IsNull(item) && !r->wrong)
        r->wrong = name;
    return (double)NAN;
}

static bool read_flag(struct reader *r, const char *name)
{
    const cJSON *item = member(r, name);
    if (item && !cJSON_IsBool(item) && !r->wrong)
        r->wrong = name;
    return cJSON_IsTrue(item);
}

/* Index of the member's word among `count` words given by `text`; -1 when it is none of them. */
static int read_word(struct reader *r, const char *name, const char *(*text)(int), int count)
{
    const cJSON *item = member(r, name);
    for (int i = 0; cJSON_IsString(item) && i < count; i++)
        if (strcmp(item->valuestring, text(i)) == 0)
            return i;
    r->wrong = r->wrong ? r->wrong : name;
    return -1;
}

static int64_t read_wall(struct reader *r, const char *name)
{
    char text[TAUT_TIME_TEXT_MAX];
    int64_t wall_ns = 0;
    read_text(r, name, text, sizeof text);
    if (taut_time_parse(text, &wall_ns) != TAUT_OK && !r->wrong)
        r->wrong = name;
    return wall_ns;
}

int64_t tautd_journal_ns(double seconds)
{
    return fabs(seconds) < 9e9 ? llround(seconds * 1000.0) * TAUT_NS_PER_MS : 0;
}

static int64_t read_ns(struct reader *r, const char *name)
{
    double seconds = read_number(r, name);
    if (!isfinite(seconds) && !r->wrong)
        r->wrong = name;
    return tautd_journal_ns(seconds);
}

static enum taut_status finish(const struct reader *r, struct taut_diag *diag)
{
    if (!r->wrong)
        return TAUT_OK;
    return taut_diag_set(diag, TAUT_E_FORMAT, "the member \"%s\" is missing or not understood", r->wrong);
}

/* ---- recipe ---- */

static bool number_in_si(const cJSON *item, double to_si, double *out)
{
    const cJSON *si = cJSON_GetObjectItemCaseSensitive(item, "si");
    if (cJSON_IsNumber(item))
        *out = item->valuedouble * to_si;
    else if (cJSON_IsNumber(si))
        *out = si->valuedouble;
    else if (cJSON_IsNull(item))
        *out = (double)NAN;
    else
        return false;
    return true;
}

static int choice_index(const char *choices, const char *word)
{
    size_t length = strlen(word);
    for (int i = 0;; i++) {
        size_t n = strcspn(choices, "|");
        if (n == length && strncmp(choices, word, n) == 0)
            return i;
        if (choices[n] == '\0')
            return -1;
        choices += n + 1;
    }
}

static bool read_key(const struct taut_key *key, const cJSON *item, char *at)
{
    double *numbers = (double *)(void *)at;
    int *whole = (int *)(void *)at;
    switch (key->kind) {
    case TAUT_KEY_NUMBER:
        return number_in_si(item, key->to_si, numbers);
    case TAUT_KEY_PAIR:
        return cJSON_GetArraySize(item) == 2 && number_in_si(cJSON_GetArrayItem(item, 0), key->to_si, &numbers[0]) &&
               number_in_si(cJSON_GetArrayItem(item, 1), key->to_si, &numbers[1]);
    case TAUT_KEY_WHOLE:
        *whole = cJSON_IsNumber(item) ? item->valueint : 0;
        return cJSON_IsNumber(item);
    case TAUT_KEY_CHOICE:
        *whole = cJSON_IsString(item) ? choice_index(key->choices, item->valuestring) : -1;
        return *whole >= 0;
    case TAUT_KEY_FLAG:
        *(bool *)at = cJSON_IsTrue(item);
        return cJSON_IsBool(item);
    case TAUT_KEY_TEXT:
    case TAUT_KEY_NAME:
    case TAUT_KEY_REFER:
        if (!cJSON_IsString(item) || strlen(item->valuestring) >= key->size)
            return false;
        memcpy(at, item->valuestring, strlen(item->valuestring) + 1);
        return true;
    case TAUT_KEY_BLOCK:
        break;
    }
    return true;
}

/* A key that the folder's software did not know yet gets the value its absence meant: the fallback of today. */
static bool use_fallback(const struct taut_key *key, char *at)
{
    cJSON *item = NULL;
    if (key->kind == TAUT_KEY_NUMBER)
        item = key->fallback && key->fallback[0] ? cJSON_CreateNumber(strtod(key->fallback, NULL)) : cJSON_CreateNull();
    else if (key->fallback && key->kind == TAUT_KEY_CHOICE)
        item = cJSON_CreateString(key->fallback);
    bool done = key->fallback && item && read_key(key, item, at);
    cJSON_Delete(item);
    return done;
}

static void read_recipe(struct reader *r, const char *name, struct taut_recipe *recipe)
{
    const cJSON *object = member(r, name);
    size_t count;
    const struct taut_key *keys = taut_recipe_keys(&count);
    memset(recipe, 0, sizeof *recipe);
    for (size_t i = 0; i < count; i++) {
        const cJSON *item = cJSON_GetObjectItemCaseSensitive(object, keys[i].name);
        char *at = (char *)recipe + keys[i].offset;
        if (!(item ? read_key(&keys[i], item, at) : use_fallback(&keys[i], at)) && !r->wrong)
            r->wrong = keys[i].name;
    }
}

/* ---- first line ---- */

static const char *role_text(int role)
{
    return taut_role_text((enum taut_role)role);
}

static const char *reference_text(int reference)
{
    static const char *const words[] = {"absolute", "gauge", "vacuum"};
    return words[reference];
}

static const char *valve_text(int valve)
{
    return valve == TAUT_VALVE_DRIVEN ? "driven" : "hand";
}

static void read_channel(struct reader *outer, const cJSON *object, struct taut_station_setup *setup)
{
    struct reader r = {.object = object};
    int role = read_word(&r, "role", role_text, TAUT_ROLES);
    if (role >= 0) {
        struct taut_station_channel *channel = &setup->channel[role];
        bool temperature = role == TAUT_ROLE_TEMPERATURE;
        channel->wired = true;
        read_text(&r, "name", channel->name, sizeof channel->name);
        channel->u_pa = read_number(&r, temperature ? "u_k" : "u_pa");
        channel->resolution_pa = read_number(&r, temperature ? "resolution_k" : "resolution_pa");
        channel->drift_pa_per_s = read_number(&r, temperature ? "drift_k_per_s" : "drift_pa_per_s");
        channel->reference = read_word(&r, "reference", reference_text, 3);
        channel->barometer = read_flag(&r, "barometer");
        read_text(&r, "calibrated", channel->calibrated, sizeof channel->calibrated);
        read_text(&r, "serial", channel->serial, sizeof channel->serial);
    }
    outer->wrong = outer->wrong ? outer->wrong : r.wrong;
}

static void read_setup(struct reader *outer, struct taut_station_setup *setup)
{
    struct reader r = {.object = member(outer, "station")};
    memset(setup, 0, sizeof *setup);
    read_text(&r, "name", setup->name, sizeof setup->name);
    setup->valve = (enum taut_valve)read_word(&r, "valve", valve_text, 2);
    setup->volume_m3 = read_number(&r, "volume_m3");
    setup->u_volume_m3 = read_number(&r, "u_volume_m3");
    const cJSON *channel;
    cJSON_ArrayForEach(channel, member(&r, "channels")) read_channel(&r, channel, setup);
    outer->wrong = outer->wrong ? outer->wrong : r.wrong;
}

enum taut_status tautd_journal_read_open(const char *line, struct taut_station_setup *setup, struct taut_run *run, char *software,
                                         struct taut_diag *diag)
{
    cJSON *json = cJSON_Parse(line);
    struct reader r = {.object = json};
    char format[32];
    if (!json)
        return taut_diag_set(diag, TAUT_E_FORMAT, "not a line of JSON");
    memset(run, 0, sizeof *run);
    read_text(&r, "format", format, sizeof format);
    if (strcmp(format, "taut-journal 1") != 0 && !r.wrong)
        r.wrong = "format";
    read_text(&r, "software", software, 64);
    read_text(&r, "part", run->part, sizeof run->part);
    run->number = (int)read_number(&r, "run");
    read_text(&r, "who", run->who, sizeof run->who);
    run->started_wall_ns = read_wall(&r, "started_utc");
    read_recipe(&r, "recipe", &run->recipe);
    read_setup(&r, setup);
    enum taut_status status = finish(&r, diag);
    cJSON_Delete(json);
    return status;
}

/* ---- later lines ---- */

static const char *status_text(int i)
{
    return taut_status_name((enum taut_status)(-i));
}

static const char *verb_text(int verb)
{
    return taut_verb_text((enum taut_verb)verb);
}

static const char *alarm_text(int kind)
{
    return kind < TAUT_ALARM_KINDS ? taut_alarm_kind_text((enum taut_alarm_kind)kind) : "all";
}

static const char *kind_text(int kind)
{
    static const char *const kinds[] = {
        [TAUT_EVENT_SWEEP] = "sweep",           [TAUT_EVENT_COMMAND] = "command", [TAUT_EVENT_VALVE] = "valve",
        [TAUT_EVENT_CLOCK_STEP] = "clock-step", [TAUT_EVENT_RECORD] = "record",   [TAUT_EVENT_RESUME] = "resume",
    };
    return kinds[kind];
}

static void read_command(struct reader *r, struct taut_command *command)
{
    command->verb = (enum taut_verb)read_word(r, "verb", verb_text, TAUT_VERBS);
    read_text(r, "who", command->who, sizeof command->who);
    if (command->verb >= TAUT_VERB_ACKNOWLEDGE)
        command->alarm = (enum taut_alarm_kind)read_word(r, "alarm", alarm_text, TAUT_ALARM_KINDS + 1);
    if (command->verb == TAUT_VERB_SHELVE)
        command->number = read_number(r, "number");
    if (cJSON_GetObjectItemCaseSensitive(r->object, "text"))
        read_text(r, "text", command->text, sizeof command->text);
}

static void read_event(struct reader *r, struct tautd_journal_line *line)
{
    struct taut_event *event = &line->event;
    event->t_ns = read_ns(r, "elapsed_s");
    event->wall_ns = read_wall(r, "time_utc");
    event->kind = (enum taut_event_kind)read_word(r, "kind", kind_text, TAUT_EVENT_RESUME + 1);
    line->status = (enum taut_status)(-read_word(r, "status", status_text, 1 - TAUT_E_MEMORY));
    switch (event->kind) {
    case TAUT_EVENT_COMMAND:
        read_command(r, &event->command);
        break;
    case TAUT_EVENT_VALVE:
    case TAUT_EVENT_RECORD:
        event->ok = read_flag(r, "ok");
        break;
    case TAUT_EVENT_CLOCK_STEP:
        event->step_ns = read_ns(r, "step_s");
        break;
    case TAUT_EVENT_RESUME:
        event->gap_ns = read_ns(r, "gap_s");
        break;
    case TAUT_EVENT_SWEEP:
        break;
    }
}

enum taut_status tautd_journal_read_line(const char *line, struct tautd_journal_line *out, struct taut_diag *diag)
{
    cJSON *json = cJSON_Parse(line);
    struct reader r = {.object = json};
    if (!json)
        return taut_diag_set(diag, TAUT_E_FORMAT, "not a line of JSON");
    memset(out, 0, sizeof *out);
    const cJSON *row = cJSON_GetObjectItemCaseSensitive(json, "row");
    const cJSON *lost = cJSON_GetObjectItemCaseSensitive(json, "lines_lost");
    out->row = cJSON_IsNumber(row) ? (int64_t)row->valuedouble : -1;
    out->lost_lines = cJSON_IsNumber(lost) ? (int64_t)lost->valuedouble : 0;
    out->is_event = cJSON_GetObjectItemCaseSensitive(json, "effect") == NULL;
    if (out->is_event)
        read_event(&r, out);
    enum taut_status status = finish(&r, diag);
    cJSON_Delete(json);
    return status;
}
