#include <stdio.h>
#include <string.h>

#include "clock.h"
#include "taut/taut.h"
#include "web/view.h"

/* Word number `index` of "one|two|three". */
static void choice(struct tautd_json *json, const char *key, const char *choices, int index)
{
    const char *from = choices;
    for (; index > 0 && from; index--) {
        from = strchr(from, '|');
        from = from ? from + 1 : NULL;
    }
    char word[TAUT_NAME_MAX] = "";
    if (from)
        snprintf(word, sizeof word, "%.*s", (int)strcspn(from, "|"), from);
    tautd_json_string(json, key, from ? word : NULL);
}

void tautd_view_recipe(struct tautd_json *json, const char *key, const struct taut_recipe *recipe)
{
    tautd_json_open(json, key, '{');
    tautd_json_string(json, "name", recipe->name);
    for (const struct taut_key *k = taut_recipe_keys(NULL); k->name; k++) {
        const void *at = (const char *)recipe + k->offset;
        if (k->kind == TAUT_KEY_NUMBER)
            tautd_json_number(json, k->name, *(const double *)at / k->to_si);
        else if (k->kind == TAUT_KEY_WHOLE)
            tautd_json_whole(json, k->name, *(const int *)at);
        else if (k->kind == TAUT_KEY_CHOICE)
            choice(json, k->name, k->choices, *(const int *)at);
        else if (k->kind == TAUT_KEY_FLAG)
            tautd_json_flag(json, k->name, *(const bool *)at);
        else if (k->kind == TAUT_KEY_TEXT || k->kind == TAUT_KEY_REFER)
            tautd_json_string(json, k->name, at);
    }
    tautd_json_close(json, '}');
}

static void stations(struct tautd_json *json, const char *key, const struct tautd_api_host *host)
{
    const int count = host->config(host->ctx)->stations;
    tautd_json_open(json, key, '[');
    for (int i = 0; i < count; i++)
        tautd_view_summary(json, host, i);
    tautd_json_close(json, ']');
}

void tautd_view_stations(struct tautd_json *json, const struct tautd_api_host *host, int unused)
{
    (void)unused;
    tautd_json_open(json, NULL, '{');
    stations(json, "stations", host);
    tautd_json_close(json, '}');
}

static void line_object(struct tautd_json *json, const struct tautd_api_host *host, int index)
{
    const struct tautd_line_config *line = &host->config(host->ctx)->line[index];
    struct tautd_bus_stats stats = {0};
    host->line_stats(host->ctx, index, &stats);
    tautd_json_open(json, NULL, '{');
    tautd_json_string(json, "name", line->name);
    tautd_json_string(json, "kind", line->kind == TAUTD_LINE_RTU ? "rtu" : "tcp");
    tautd_json_string(json, "at", line->kind == TAUTD_LINE_RTU ? line->device : line->host);
    if (line->kind == TAUTD_LINE_TCP)
        tautd_json_whole(json, "port", line->port);
    else
        tautd_json_whole(json, "baud", line->baud);
    tautd_json_flag(json, "up", stats.up);
    tautd_json_count(json, "requests", stats.requests);
    tautd_json_count(json, "answers", stats.answers);
    tautd_json_count(json, "timeouts", stats.timeouts);
    tautd_json_count(json, "exceptions", stats.exceptions);
    tautd_json_count(json, "bad_frames", stats.bad_frames);
    tautd_json_count(json, "reconnects", stats.reconnects);
    tautd_json_count(json, "late", stats.late);
    tautd_json_count(json, "lost", stats.lost);
    tautd_json_number(json, "busy_frac", stats.busy_frac);
    tautd_json_close(json, '}');
}

static void lines(struct tautd_json *json, const struct tautd_api_host *host)
{
    const int count = host->config(host->ctx)->lines;
    tautd_json_open(json, "lines", '[');
    for (int i = 0; i < count; i++)
        line_object(json, host, i);
    tautd_json_close(json, ']');
}

void tautd_view_lines(struct tautd_json *json, const struct tautd_api_host *host, int unused)
{
    (void)unused;
    tautd_json_open(json, NULL, '{');
    lines(json, host);
    tautd_json_close(json, '}');
}

void tautd_view_status(struct tautd_json *json, const struct tautd_api_host *host, int unused)
{
    (void)unused;
    tautd_json_open(json, NULL, '{');
    tautd_json_string(json, "version", TAUT_VERSION);
    tautd_json_number(json, "uptime_s", taut_seconds(host->uptime_ns(host->ctx)));
    tautd_json_time(json, "time_utc", tautd_clock_wall_ns());
    tautd_json_number(json, "clock_factor", tautd_clock_factor());
    lines(json, host);
    stations(json, "stations", host);
    tautd_json_close(json, '}');
}

static void channel_object(struct tautd_json *json, const struct tautd_api_host *host, int index)
{
    static const char *const tables[] = {"input", "holding"};
    static const char *const types[] = {"uint16", "int16", "uint32", "int32", "float32"};
    static const char *const orders[] = {"ABCD", "CDAB", "BADC", "DCBA"};
    static const char *const references[] = {"absolute", "gauge", "vacuum"};
    const struct tautd_channel_config *channel = &host->config(host->ctx)->channel[index];
    const struct tautd_channel_live *live = host->channel(host->ctx, index);
    const bool temperature = channel->spec.quantity == TAUT_QUANTITY_TEMPERATURE;
    tautd_json_open(json, NULL, '{');
    tautd_json_string(json, "name", channel->spec.name);
    tautd_json_string(json, "line", channel->line);
    tautd_json_whole(json, "unit", channel->unit);
    tautd_json_string(json, "table", tables[channel->table]);
    tautd_json_whole(json, "register", channel->reg);
    tautd_json_string(json, "type", types[channel->type]);
    tautd_json_string(json, "order", orders[channel->order]);
    if (!temperature)
        tautd_json_string(json, "reference", references[channel->spec.reference]);
    tautd_json_string(json, "engineering", channel->engineering);
    tautd_json_number(json, "period_s", channel->period_s);
    tautd_json_number(json, "number", live->number);
    tautd_view_sample(json, temperature, &live->sample, tautd_view_age_s(live));
    tautd_json_whole(json, "exception", live->exception);
    tautd_json_count(json, "good", live->good);
    tautd_json_count(json, "bad", live->bad);
    tautd_json_close(json, '}');
}

void tautd_view_channels(struct tautd_json *json, const struct tautd_api_host *host, int unused)
{
    (void)unused;
    const int count = host->config(host->ctx)->channels;
    tautd_json_open(json, NULL, '{');
    tautd_json_open(json, "channels", '[');
    for (int i = 0; i < count; i++)
        channel_object(json, host, i);
    tautd_json_close(json, ']');
    tautd_json_close(json, '}');
}

void tautd_view_config(struct tautd_json *json, const struct tautd_api_host *host, int unused)
{
    (void)unused;
    const struct tautd_config *config = host->config(host->ctx);
    tautd_json_open(json, NULL, '{');
    tautd_json_string(json, "file", config->path);
    tautd_json_open(json, "stations", '[');
    for (int i = 0; i < config->stations; i++) {
        const struct tautd_station_config *station = &config->station[i];
        tautd_json_open(json, NULL, '{');
        tautd_json_string(json, "name", station->name);
        for (int r = 0; r < TAUT_ROLES; r++)
            if (station->channel[r][0])
                tautd_json_string(json, taut_role_text((enum taut_role)r), station->channel[r]);
        tautd_json_string(json, "valve", station->valve[0] ? station->valve : NULL);
        tautd_json_string(json, "recipe", station->recipe[0] ? station->recipe : NULL);
        tautd_json_close(json, '}');
    }
    tautd_json_close(json, ']');
    tautd_json_open(json, "recipes", '[');
    for (int i = 0; i < config->recipes; i++)
        tautd_view_recipe(json, NULL, &config->recipe[i]);
    tautd_json_close(json, ']');
    tautd_json_close(json, '}');
}
