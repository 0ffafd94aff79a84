#include "taut/record.h"

#include <stdio.h>

#include "json.h"

/* CSV on the Web: W3C "Metadata Vocabulary for Tabular Data". Units are UCUM codes, hung on the column as a common
 * property under its full IRI, so that no prefix has to be declared. */
#define UNIT_PROPERTY "http://qudt.org/schema/qudt/ucumCode"

static void column(struct taut_json *json, const char *name, const char *title, const char *base, const char *unit,
                   const char *help)
{
    taut_json_begin(json, NULL, '{');
    taut_json_string(json, "name", name);
    taut_json_string(json, "titles", title);
    taut_json_begin(json, "datatype", '{');
    taut_json_string(json, "base", base);
    taut_json_end(json, '}');
    if (unit)
        taut_json_string(json, UNIT_PROPERTY, unit);
    taut_json_string(json, "dc:description", help);
    taut_json_end(json, '}');
}

static void channel_columns(struct taut_json *json, enum taut_role role, const struct taut_station_channel *channel)
{
    bool temperature = role == TAUT_ROLE_TEMPERATURE;
    const char *unit = temperature ? "degC" : "mbar";
    char name[48], title[TAUT_NAME_MAX + 16];
    snprintf(name, sizeof name, "%s_%s", taut_role_text(role), unit);
    snprintf(title, sizeof title, "%s_%s", channel->name, unit);
    column(json, name, title, "decimal", temperature ? "Cel" : "mbar",
           temperature ? "temperature" : "absolute pressure; empty when there was no usable reading");
    snprintf(name, sizeof name, "%s_quality", taut_role_text(role));
    snprintf(title, sizeof title, "%s_quality", channel->name);
    column(json, name, title, "string", NULL, "good, uncertain:<reason>, bad:<reason>; empty when not read in this row");
}

void taut_trace_metadata(const struct taut_station_setup *setup, const struct taut_run *run, struct taut_text *out)
{
    struct taut_json json = {.text = out, .indented = true};
    taut_json_begin(&json, NULL, '{');
    taut_json_string(&json, "@context", "http://www.w3.org/ns/csvw");
    taut_json_string(&json, "url", "trace.csv");
    taut_json_string(&json, "dc:title", "Pressure trace of a part under vacuum");
    taut_json_string(&json, "dc:identifier", run->part);
    taut_json_time(&json, "dc:created", run->started_wall_ns);
    taut_json_begin(&json, "dialect", '{');
    taut_json_string(&json, "encoding", "utf-8");
    taut_json_bool(&json, "header", true);
    taut_json_string(&json, "delimiter", ",");
    taut_json_string(&json, "quoteChar", "\"");
    taut_json_begin(&json, "lineTerminators", '[');
    taut_json_string(&json, NULL, "\r\n");
    taut_json_end(&json, ']');
    taut_json_end(&json, '}');
    taut_json_begin(&json, "tableSchema", '{');
    taut_json_begin(&json, "columns", '[');
    column(&json, "time_utc", "time_utc", "dateTimeStamp", NULL, "wall time of the readings");
    column(&json, "elapsed_s", "elapsed_s", "decimal", "s", "time since the run began, unmoved by steps of the wall clock");
    column(&json, "phase", "phase", "string", NULL, "phase of the station after the readings");
    for (int role = 0; role < TAUT_ROLES; role++)
        if (setup->channel[role].wired)
            channel_columns(&json, (enum taut_role)role, &setup->channel[role]);
    column(&json, "event", "event", "string", NULL,
           "what happened, in a word; 'gap N rows lost' marks rows that could not be written");
    taut_json_end(&json, ']');
    taut_json_end(&json, '}');
    taut_json_end(&json, '}');
    taut_text_add_char(out, '\n');
}
