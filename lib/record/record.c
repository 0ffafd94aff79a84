#include "taut/record.h"

#include <math.h>

#include "json.h"
#include "parts.h"
#include "taut/units.h"

static const char *result_text(const struct taut_station *station)
{
    if (station->phase != TAUT_PHASE_DONE)
        return "open";
    return station->aborted ? "aborted" : "finished";
}

void taut_record_rule(const struct taut_recipe *recipe, char *out, size_t size)
{
    bool rate = isfinite(recipe->limit_pa_per_s), rise = isfinite(recipe->rise_limit_pa);
    struct taut_text text;
    taut_text_init(&text, out, size);
    taut_text_add(&text, "pass when the upper bound of ");
    if (rate)
        taut_text_addf(&text, "the leak rate is below %.4g mbar/min", taut_mbar_per_min(recipe->limit_pa_per_s));
    if (rate && rise)
        taut_text_add(&text, " and that of ");
    if (rise)
        taut_text_addf(&text, "the rise within %.6g s is below %.4g mbar", recipe->rise_within_s,
                       taut_mbar(recipe->rise_limit_pa));
    taut_text_addf(&text,
                   "; fail when a lower bound is above its limit; else inconclusive. One-sided bounds, each at a risk of "
                   "%.4g %%, with the errors' correlation and the sensor's resolution and drift taken in; %s",
                   recipe->risk * 100.0,
                   recipe->mode == TAUT_TEST_FIXED
                       ? "measured for a fixed time"
                       : "measured until the rule decides, with bounds that allow for looking at any time");
}

static void print_head(struct taut_json *json, const struct taut_station *station, const char *software, const char *rule)
{
    char words[512];
    if (!rule)
        taut_record_rule(&station->run.recipe, words, sizeof words);
    const struct taut_test_record *last = taut_station_last_test(station);
    taut_json_string(json, "format", "taut-record 1");
    taut_json_string(json, "part", station->run.part);
    taut_json_whole(json, "run", station->run.number);
    taut_json_string(json, "station", station->setup.name);
    taut_json_string(json, "who", station->run.who);
    taut_json_time(json, "started_utc", station->run.started_wall_ns);
    if (station->phase == TAUT_PHASE_DONE)
        taut_json_time(json, "ended_utc", station->now_wall_ns);
    else
        taut_json_string_or_null(json, "ended_utc", "");
    taut_json_time(json, "written_utc", station->now_wall_ns);
    taut_json_seconds(json, "elapsed_s", station->now_ns);
    taut_json_string(json, "result", result_text(station));
    taut_json_string(json, "verdict", taut_verdict_text(last ? last->result.verdict : TAUT_VERDICT_NONE));
    taut_json_string(json, "because", last ? taut_droptest_why_text(last->result.why) : "no drop test was run");
    taut_json_string(json, "rule", rule ? rule : words);
    taut_json_string_or_null(json, "filled_without_passed_test", station->override_reason);
    taut_json_string(json, "pressures", "absolute, after the file's suffix: _mbar, _pa");
    taut_json_string(json, "software", software);
}

static void print_sensors(struct taut_json *json, const struct taut_station_setup *setup)
{
    taut_json_begin(json, "sensors", '[');
    for (int role = 0; role < TAUT_ROLES; role++) {
        const struct taut_station_channel *channel = &setup->channel[role];
        if (!channel->wired)
            continue;
        bool temperature = role == TAUT_ROLE_TEMPERATURE;
        taut_json_begin(json, NULL, '{');
        taut_json_string(json, "role", taut_role_text((enum taut_role)role));
        taut_json_string(json, "name", channel->name);
        taut_json_string_or_null(json, "serial", channel->serial);
        taut_json_string_or_null(json, "calibrated", channel->calibrated);
        taut_json_rounded(json, temperature ? "u_k" : "u_mbar", temperature ? channel->u_pa : taut_mbar(channel->u_pa), 4);
        if (!temperature) {
            taut_json_rounded(json, "resolution_mbar", taut_mbar(channel->resolution_pa), 4);
            taut_json_rounded(json, "drift_mbar_per_min", taut_mbar_per_min(channel->drift_pa_per_s), 5);
            taut_json_string(json, "reference", taut_print_reference(channel->reference));
            if (channel->reference != TAUT_REFERENCE_ABSOLUTE)
                taut_json_string(json, "ambient", channel->barometer ? "from the barometer" : "as stated, not measured");
        }
        taut_json_end(json, '}');
    }
    taut_json_end(json, ']');
}

static int kept_tests(const struct taut_station *station)
{
    return station->tests < TAUT_TESTS_MAX ? station->tests : TAUT_TESTS_MAX;
}

/* Where the newest test overwrote the oldest, the oldest is not at index 0. */
const struct taut_test_record *taut_record_test(const struct taut_station *station, int number)
{
    int kept = kept_tests(station), oldest = 0, first = station->tests - kept + 1;
    if (number < first || number > station->tests)
        return NULL;
    for (int i = 1; i < kept; i++)
        if (station->test[i].ended_ns < station->test[oldest].ended_ns)
            oldest = i;
    return &station->test[(oldest + number - first) % kept];
}

static void print_tests(struct taut_json *json, const struct taut_station *station)
{
    taut_json_whole(json, "tests_run", station->tests);
    taut_json_begin(json, "tests", '[');
    for (int number = station->tests - kept_tests(station) + 1; number <= station->tests; number++)
        taut_print_test(json, NULL, number, taut_record_test(station, number));
    taut_json_end(json, ']');
}

static void print_phases(struct taut_json *json, const struct taut_station *station)
{
    taut_json_begin(json, "phases", '[');
    for (int phase = TAUT_PHASE_DRAWDOWN; phase < TAUT_PHASE_DONE; phase++) {
        const struct taut_phase_figures *figures = &station->figures[phase];
        if (figures->seconds <= 0 && figures->n_good == 0 && figures->n_not_good == 0)
            continue;
        taut_json_begin(json, NULL, '{');
        taut_json_string(json, "phase", taut_phase_text((enum taut_phase)phase));
        taut_json_rounded(json, "seconds", figures->seconds, 3);
        taut_json_rounded(json, "lowest_mbar", taut_mbar(figures->lowest_pa), 3);
        taut_json_rounded(json, "highest_mbar", taut_mbar(figures->highest_pa), 3);
        taut_json_whole(json, "readings_good", figures->n_good);
        taut_json_whole(json, "readings_not_good", figures->n_not_good);
        taut_json_end(json, '}');
    }
    taut_json_end(json, ']');
}

static void print_alarms(struct taut_json *json, const struct taut_station *station)
{
    taut_json_begin(json, "alarms", '[');
    for (int kind = 0; kind < TAUT_ALARM_KINDS; kind++) {
        const struct taut_station_alarm *alarm = &station->alarm[kind];
        if (alarm->times == 0)
            continue;
        taut_json_begin(json, NULL, '{');
        taut_json_string(json, "alarm", taut_alarm_kind_text((enum taut_alarm_kind)kind));
        taut_json_whole(json, "times", alarm->times);
        taut_json_time(json, "last_raised_utc", alarm->raised_wall_ns);
        taut_json_string(json, "state_at_end", taut_alarm_state_text(alarm->alarm.state));
        taut_json_string(json, "cause", taut_cause_text(alarm->cause));
        taut_json_rounded(json, "confidence", alarm->confidence, 3);
        taut_json_string(json, "evidence", alarm->evidence);
        taut_json_end(json, '}');
    }
    taut_json_end(json, ']');
}

void taut_record_print(const struct taut_station *station, const char *software, const char *verdict_rule, struct taut_text *out)
{
    struct taut_json json = {.text = out, .indented = true};
    taut_json_begin(&json, NULL, '{');
    print_head(&json, station, software, verdict_rule);
    if (isfinite(station->setup.volume_m3)) {
        taut_json_rounded(&json, "volume_l", station->setup.volume_m3 * 1000.0, 3);
        taut_json_rounded(&json, "u_volume_l", station->setup.u_volume_m3 * 1000.0, 3);
    }
    taut_print_recipe(&json, "recipe", &station->run.recipe);
    print_sensors(&json, &station->setup);
    print_tests(&json, station);
    print_phases(&json, station);
    print_alarms(&json, station);
    taut_json_end(&json, '}');
    taut_text_add_char(out, '\n');
}
