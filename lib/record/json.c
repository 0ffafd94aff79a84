#include "json.h"

#include <inttypes.h>
#include <math.h>

#include "taut/time.h"
#include "taut/units.h"

/* Comma, line break and key before a value. */
static void lead(struct taut_json *json, const char *key)
{
    if (json->depth > 0) {
        if (!json->first)
            taut_text_add_char(json->text, ',');
        if (json->indented) {
            taut_text_add_char(json->text, '\n');
            for (int i = 0; i < json->depth; i++)
                taut_text_add(json->text, "  ");
        }
    }
    json->first = false;
    if (key) {
        taut_text_add_json_string(json->text, key);
        taut_text_add(json->text, json->indented ? ": " : ":");
    }
}

void taut_json_begin(struct taut_json *json, const char *key, char bracket)
{
    lead(json, key);
    taut_text_add_char(json->text, bracket);
    json->depth++;
    json->first = true;
}

void taut_json_end(struct taut_json *json, char bracket)
{
    json->depth--;
    if (json->indented && !json->first) {
        taut_text_add_char(json->text, '\n');
        for (int i = 0; i < json->depth; i++)
            taut_text_add(json->text, "  ");
    }
    taut_text_add_char(json->text, bracket);
    json->first = false;
}

void taut_json_string(struct taut_json *json, const char *key, const char *value)
{
    lead(json, key);
    taut_text_add_json_string(json->text, value);
}

void taut_json_string_or_null(struct taut_json *json, const char *key, const char *value)
{
    lead(json, key);
    if (value[0])
        taut_text_add_json_string(json->text, value);
    else
        taut_text_add(json->text, "null");
}

void taut_json_bool(struct taut_json *json, const char *key, bool value)
{
    lead(json, key);
    taut_text_add(json->text, value ? "true" : "false");
}

void taut_json_whole(struct taut_json *json, const char *key, int64_t value)
{
    lead(json, key);
    taut_text_addf(json->text, "%" PRId64, value);
}

void taut_json_double(struct taut_json *json, const char *key, double value)
{
    lead(json, key);
    taut_text_add_double(json->text, value);
}

void taut_json_rounded(struct taut_json *json, const char *key, double value, int decimals)
{
    lead(json, key);
    if (isfinite(value))
        taut_text_addf(json->text, "%.*f", decimals, value);
    else
        taut_text_add(json->text, "null");
}

void taut_json_seconds(struct taut_json *json, const char *key, int64_t ns)
{
    lead(json, key);
    if (ns % TAUT_NS_PER_MS == 0) {
        taut_text_add_thousandths(json->text, ns / TAUT_NS_PER_MS);
        return;
    }
    uint64_t size = ns < 0 ? 0 - (uint64_t)ns : (uint64_t)ns;
    taut_text_addf(json->text, "%s%" PRIu64 ".%09" PRIu64, ns < 0 ? "-" : "", size / 1000000000u, size % 1000000000u);
}

void taut_json_time(struct taut_json *json, const char *key, int64_t wall_ns)
{
    char time[TAUT_TIME_TEXT_MAX];
    taut_time_print(wall_ns, time);
    taut_json_string(json, key, time);
}
