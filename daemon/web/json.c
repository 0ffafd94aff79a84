#include "web/json.h"

#include <inttypes.h>
#include <math.h>

#include "taut/time.h"

static void begin(struct tautd_json *json, const char *key)
{
    if (json->comma)
        taut_text_add_char(json->borrowed_text, ',');
    json->comma = true;
    if (key) {
        taut_text_add_json_string(json->borrowed_text, key);
        taut_text_add_char(json->borrowed_text, ':');
    }
}

void tautd_json_open(struct tautd_json *json, const char *key, char bracket)
{
    begin(json, key);
    taut_text_add_char(json->borrowed_text, bracket);
    json->comma = false;
}

void tautd_json_close(struct tautd_json *json, char bracket)
{
    taut_text_add_char(json->borrowed_text, bracket);
    json->comma = true;
}

void tautd_json_string(struct tautd_json *json, const char *key, const char *value)
{
    begin(json, key);
    if (value)
        taut_text_add_json_string(json->borrowed_text, value);
    else
        taut_text_add(json->borrowed_text, "null");
}

void tautd_json_number(struct tautd_json *json, const char *key, double value)
{
    begin(json, key);
    if (isfinite(value))
        taut_text_addf(json->borrowed_text, "%.9g", value);
    else
        taut_text_add(json->borrowed_text, "null");
}

void tautd_json_whole(struct tautd_json *json, const char *key, int64_t value)
{
    begin(json, key);
    taut_text_addf(json->borrowed_text, "%" PRId64, value);
}

void tautd_json_count(struct tautd_json *json, const char *key, uint64_t value)
{
    begin(json, key);
    taut_text_addf(json->borrowed_text, "%" PRIu64, value);
}

void tautd_json_flag(struct tautd_json *json, const char *key, bool value)
{
    begin(json, key);
    taut_text_add(json->borrowed_text, value ? "true" : "false");
}

void tautd_json_time(struct tautd_json *json, const char *key, int64_t wall_ns)
{
    if (wall_ns == 0) {
        tautd_json_string(json, key, NULL);
        return;
    }
    char text[TAUT_TIME_TEXT_MAX];
    taut_time_print(wall_ns, text);
    tautd_json_string(json, key, text);
}
