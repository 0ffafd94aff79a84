#include <math.h>
#include <stddef.h>

#include "clock.h"
#include "taut/units.h"
#include "web/view.h"

#define MBAR         (1.0 / TAUT_PA_PER_MBAR)
#define MBAR_PER_MIN (1.0 / TAUT_PA_PER_S_PER_MBAR_PER_MIN)
#define MBAR_L       10.0 /* mbar.L per Pa.m3 */

struct field {
    const char *key;
    size_t offset;
    double factor;
};

static void numbers(struct tautd_json *json, const struct field *field, const void *from)
{
    for (; field->key; field++) {
        double value = *(const double *)(const void *)((const char *)from + field->offset);
        tautd_json_number(json, field->key, value * field->factor);
    }
}

double tautd_view_age_s(const struct tautd_channel_live *live)
{
    return live && live->mono_ns ? taut_seconds(tautd_clock_mono_ns() - live->mono_ns) : NAN;
}

void tautd_view_sample(struct tautd_json *json, bool temperature, const struct taut_sample *sample, double age_s)
{
    double value = sample->quality == TAUT_QUALITY_BAD ? NAN : sample->value;
    if (temperature)
        tautd_json_number(json, "temperature_degc", value - TAUT_KELVIN_AT_0_DEGC);
    else
        tautd_json_number(json, "pressure_mbar", taut_mbar(value));
    tautd_json_string(json, "quality", taut_quality_text(sample->quality));
    tautd_json_string(json, "reason", taut_reason_text(sample->reason));
    tautd_json_number(json, "age_s", age_s);
}

/* ---- rate shown beside the pressure ---- */

struct rate {
    double pa_per_s, u_pa_per_s;
    const char *from;
};

static struct rate rate_of_test(const struct taut_droptest_result *result, const char *from)
{
    if (result->n_used == 0)
        return (struct rate){NAN, NAN, NULL};
    return (struct rate){result->rate_pa_per_s, result->u_rate_pa_per_s, from};
}

static struct rate rate_of(const struct taut_station *station)
{
    const struct taut_test_record *last = taut_station_last_test(station);
    const struct taut_watch_finding *finding = &station->watch.finding;
    switch (station->phase) {
    case TAUT_PHASE_SETTLE:
    case TAUT_PHASE_DROP_TEST:
        return rate_of_test(taut_droptest_result(&station->droptest), "drop-test");
    case TAUT_PHASE_FILL:
    case TAUT_PHASE_CLAMPED:
    case TAUT_PHASE_CURE:
        return (struct rate){finding->rate_pa_per_s, finding->u_rate_pa_per_s, "watch"};
    case TAUT_PHASE_DRAWDOWN:
    case TAUT_PHASE_READY:
        if (last)
            return rate_of_test(&last->result, "last-test");
        break;
    default:
        break;
    }
    return (struct rate){NAN, NAN, NULL};
}

/* ---- alarms ---- */

static bool worth_showing(const struct taut_alarm *alarm)
{
    return alarm->state != TAUT_ALARM_NORM && alarm->state != TAUT_ALARM_DSUPR;
}

static void alarm_object(struct tautd_json *json, const struct taut_station *station, enum taut_alarm_kind kind)
{
    const struct taut_station_alarm *a = &station->alarm[kind];
    tautd_json_open(json, NULL, '{');
    tautd_json_string(json, "alarm", taut_alarm_kind_text(kind));
    tautd_json_string(json, "state", taut_alarm_state_text(a->alarm.state));
    tautd_json_string(json, "priority", taut_alarm_priority_text(taut_alarm_kind_design(kind)->priority));
    tautd_json_flag(json, "calls", taut_alarm_calls(&a->alarm));
    tautd_json_flag(json, "condition", a->alarm.condition);
    tautd_json_whole(json, "times", a->times);
    tautd_json_time(json, "raised_utc", a->times ? a->raised_wall_ns : 0);
    bool shelved = a->alarm.state == TAUT_ALARM_SHLVD;
    tautd_json_number(json, "shelved_for_s", shelved ? taut_seconds(a->alarm.shelved_until_ns - station->now_ns) : NAN);
    bool cause = a->cause != TAUT_CAUSE_NONE;
    tautd_json_string(json, "cause", cause ? taut_cause_text(a->cause) : NULL);
    tautd_json_number(json, "confidence", cause ? a->confidence : NAN);
    tautd_json_string(json, "evidence", a->evidence);
    tautd_json_string(json, "advice",
                      cause && a->cause != TAUT_CAUSE_UNKNOWN ? taut_cause_advice(a->cause) : taut_alarm_kind_advice(kind));
    tautd_json_close(json, '}');
}

static void alarms(struct tautd_json *json, const char *key, const struct taut_station *station, bool all)
{
    tautd_json_open(json, key, '[');
    for (int k = 0; k < TAUT_ALARM_KINDS; k++)
        if (all || worth_showing(&station->alarm[k].alarm))
            alarm_object(json, station, (enum taut_alarm_kind)k);
    tautd_json_close(json, ']');
}

/* ---- summary ---- */

static const char *text_or_null(const char *text)
{
    return text[0] ? text : NULL;
}

static double role_age_s(const struct tautd_api_host *host, int station, enum taut_role role)
{
    int channel = host->config(host->ctx)->station[station].channel_index[role];
    return channel < 0 ? NAN : tautd_view_age_s(host->channel(host->ctx, channel));
}

static void summary_fields(struct tautd_json *json, const struct tautd_api_host *host, int index)
{
    const struct taut_station *station = host->station(host->ctx, index);
    const struct taut_test_record *last = taut_station_last_test(station);
    const struct taut_recipe *recipe = &station->run.recipe;
    const bool testing = station->phase == TAUT_PHASE_SETTLE || station->phase == TAUT_PHASE_DROP_TEST;
    struct rate rate = rate_of(station);
    char advice[TAUT_TEXT_MAX] = "";
    taut_station_advice(station, advice);

    tautd_json_string(json, "name", station->setup.name);
    tautd_json_string(json, "phase", taut_phase_text(station->phase));
    tautd_json_number(json, "in_phase_s", taut_seconds(station->now_ns - station->phase_ns));
    tautd_json_time(json, "time_utc", station->now_wall_ns);
    tautd_json_flag(json, "running", taut_station_running(station));
    tautd_json_string(json, "part", text_or_null(station->run.part));
    tautd_json_whole(json, "run_number", station->run.number);
    tautd_json_string(json, "recipe_name", text_or_null(recipe->name));
    tautd_view_sample(json, false, &station->latest[TAUT_ROLE_VENT], role_age_s(host, index, TAUT_ROLE_VENT));
    tautd_json_string(json, "valve", station->setup.valve == TAUT_VALVE_DRIVEN ? "driven" : "hand");
    tautd_json_flag(json, "valve_open", station->valve_open);
    bool known = rate.from && isfinite(rate.pa_per_s) && isfinite(rate.u_pa_per_s);
    tautd_json_number(json, "rate_mbar_per_min", known ? taut_mbar_per_min(rate.pa_per_s) : NAN);
    tautd_json_number(json, "u_rate_mbar_per_min", known ? taut_mbar_per_min(rate.u_pa_per_s) : NAN);
    tautd_json_string(json, "rate_from", known ? rate.from : NULL);
    bool limited = station->run.part[0] != '\0';
    tautd_json_number(json, "limit_mbar_per_min", limited ? taut_mbar_per_min(recipe->limit_pa_per_s) : NAN);
    tautd_json_number(json, "needed_s", testing ? taut_droptest_result(&station->droptest)->needed_s : NAN);
    tautd_json_whole(json, "tests_run", station->tests);
    tautd_json_string(json, "verdict", taut_verdict_text(last ? last->result.verdict : TAUT_VERDICT_NONE));
    tautd_json_flag(json, "tight", station->tight);
    tautd_json_flag(json, "aborted", station->aborted);
    tautd_json_string(json, "advice", advice);
    alarms(json, "alarms", station, false);
}

void tautd_view_summary(struct tautd_json *json, const struct tautd_api_host *host, int station)
{
    tautd_json_open(json, NULL, '{');
    summary_fields(json, host, station);
    tautd_json_close(json, '}');
}

/* ---- full ---- */

#define AT(member) offsetof(struct taut_droptest_result, member)
static const struct field result_fields[] = {
    {"rate_mbar_per_min",      AT(rate_pa_per_s),      MBAR_PER_MIN},
    {"u_rate_mbar_per_min",    AT(u_rate_pa_per_s),    MBAR_PER_MIN},
    {"rate_low_mbar_per_min",  AT(rate_low_pa_per_s),  MBAR_PER_MIN},
    {"rate_high_mbar_per_min", AT(rate_high_pa_per_s), MBAR_PER_MIN},
    {"smallest_mbar_per_min",  AT(smallest_pa_per_s),  MBAR_PER_MIN},
    {"rise_mbar",              AT(rise_pa),            MBAR        },
    {"rise_low_mbar",          AT(rise_low_pa),        MBAR        },
    {"rise_high_mbar",         AT(rise_high_pa),       MBAR        },
    {"rise_raw_mbar",          AT(rise_raw_pa),        MBAR        },
    {"amplitude_mbar",         AT(amplitude_pa),       MBAR        },
    {"tau_s",                  AT(tau_s),              1.0         },
    {"p0_mbar",                AT(p0_pa),              MBAR        },
    {"start_mbar",             AT(start_pa),           MBAR        },
    {"end_mbar",               AT(end_pa),             MBAR        },
    {"noise_mbar",             AT(noise_pa),           MBAR        },
    {"phi",                    AT(phi),                1.0         },
    {"resolution_mbar",        AT(resolution_pa),      MBAR        },
    {"settle_s",               AT(settle_s),           1.0         },
    {"span_s",                 AT(span_s),             1.0         },
    {"needed_s",               AT(needed_s),           1.0         },
    {"leak_pa_m3_per_s",       AT(leak_pa_m3_per_s),   1.0         },
    {"u_leak_pa_m3_per_s",     AT(u_leak_pa_m3_per_s), 1.0         },
    {"leak_mbar_l_per_s",      AT(leak_pa_m3_per_s),   MBAR_L      },
    {"u_leak_mbar_l_per_s",    AT(u_leak_pa_m3_per_s), MBAR_L      },
    {NULL,                     0,                      0           },
};
#undef AT

static void result_object(struct tautd_json *json, const char *key, const struct taut_droptest_result *result,
                          int64_t ended_wall_ns)
{
    static const char *const stages[] = {"before", "settling", "measuring", "decided"};
    static const char *const models[] = {"line", "transient-line", "saturating"};
    tautd_json_open(json, key, '{');
    if (ended_wall_ns)
        tautd_json_time(json, "ended_utc", ended_wall_ns);
    tautd_json_string(json, "stage", stages[result->stage]);
    tautd_json_string(json, "verdict", taut_verdict_text(result->verdict));
    tautd_json_string(json, "why", taut_droptest_why_word(result->why));
    tautd_json_string(json, "why_text", taut_droptest_why_text(result->why));
    tautd_json_string(json, "model", models[result->model]);
    numbers(json, result_fields, result);
    tautd_json_whole(json, "n_used", result->n_used);
    tautd_json_whole(json, "n_not_good", result->n_not_good);
    tautd_json_close(json, '}');
}

static void tests(struct tautd_json *json, const struct taut_station *station)
{
    const int count = station->tests < TAUT_TESTS_MAX ? station->tests : TAUT_TESTS_MAX;
    int order[TAUT_TESTS_MAX];
    for (int i = 0; i < count; i++) { /* by time: the station may keep its newest tests as a ring */
        int k = i;
        for (; k > 0 && station->test[order[k - 1]].ended_ns > station->test[i].ended_ns; k--)
            order[k] = order[k - 1];
        order[k] = i;
    }
    tautd_json_open(json, "tests", '[');
    for (int i = 0; i < count; i++)
        result_object(json, NULL, &station->test[order[i]].result, station->test[order[i]].ended_wall_ns);
    tautd_json_close(json, ']');
}

static void watch_object(struct tautd_json *json, const struct taut_watch_finding *finding)
{
    tautd_json_open(json, "watch", '{');
    tautd_json_flag(json, "rate_alarm", finding->rate_alarm);
    tautd_json_flag(json, "level_alarm", finding->level_alarm);
    tautd_json_flag(json, "limit_alarm", finding->limit_alarm);
    tautd_json_number(json, "baseline_mbar", taut_mbar(finding->baseline_pa));
    tautd_json_number(json, "above_mbar", taut_mbar(finding->above_pa));
    tautd_json_number(json, "rate_mbar_per_min", taut_mbar_per_min(finding->rate_pa_per_s));
    tautd_json_number(json, "u_rate_mbar_per_min", taut_mbar_per_min(finding->u_rate_pa_per_s));
    tautd_json_number(json, "since_s", finding->since_s);
    tautd_json_string(json, "cause", taut_cause_text(finding->cause));
    tautd_json_number(json, "confidence", finding->confidence);
    tautd_json_string(json, "evidence", finding->evidence);
    tautd_json_close(json, '}');
}

static void channels(struct tautd_json *json, const struct tautd_api_host *host, int index)
{
    static const char *const references[] = {"absolute", "gauge", "vacuum"};
    const struct taut_station *station = host->station(host->ctx, index);
    tautd_json_open(json, "channels", '{');
    for (int r = 0; r < TAUT_ROLES; r++) {
        const struct taut_station_channel *channel = &station->setup.channel[r];
        const bool temperature = r == TAUT_ROLE_TEMPERATURE;
        if (!channel->wired)
            continue;
        tautd_json_open(json, taut_role_text((enum taut_role)r), '{');
        tautd_json_string(json, "name", channel->name);
        tautd_view_sample(json, temperature, &station->latest[r], role_age_s(host, index, (enum taut_role)r));
        if (temperature) {
            tautd_json_number(json, "u_k", channel->u_pa);
        } else {
            tautd_json_string(json, "reference", references[channel->reference]);
            tautd_json_number(json, "u_mbar", taut_mbar(channel->u_pa));
            tautd_json_number(json, "resolution_mbar", taut_mbar(channel->resolution_pa));
        }
        tautd_json_string(json, "calibrated", text_or_null(channel->calibrated));
        tautd_json_string(json, "serial", text_or_null(channel->serial));
        tautd_json_close(json, '}');
    }
    tautd_json_close(json, '}');
}

static void figures(struct tautd_json *json, const struct taut_station *station)
{
    tautd_json_open(json, "figures", '{');
    for (int p = 0; p < TAUT_PHASES; p++) {
        const struct taut_phase_figures *f = &station->figures[p];
        if (f->n_good + f->n_not_good == 0)
            continue;
        tautd_json_open(json, taut_phase_text((enum taut_phase)p), '{');
        tautd_json_number(json, "seconds", f->seconds);
        tautd_json_number(json, "lowest_mbar", taut_mbar(f->lowest_pa));
        tautd_json_number(json, "highest_mbar", taut_mbar(f->highest_pa));
        tautd_json_whole(json, "n_good", f->n_good);
        tautd_json_whole(json, "n_not_good", f->n_not_good);
        tautd_json_close(json, '}');
    }
    tautd_json_close(json, '}');
}

static void run_and_recipe(struct tautd_json *json, const struct taut_station *station)
{
    const struct taut_run *run = &station->run;
    if (!run->part[0]) {
        tautd_json_string(json, "run", NULL);
        tautd_json_string(json, "recipe", NULL);
        return;
    }
    tautd_json_open(json, "run", '{');
    tautd_json_string(json, "part", run->part);
    tautd_json_whole(json, "number", run->number);
    tautd_json_string(json, "who", run->who);
    tautd_json_time(json, "started_utc", run->started_wall_ns);
    tautd_json_string(json, "override_reason", text_or_null(station->override_reason));
    tautd_json_close(json, '}');
    tautd_view_recipe(json, "recipe", &run->recipe);
}

void tautd_view_station(struct tautd_json *json, const struct tautd_api_host *host, int index)
{
    const struct taut_station *station = host->station(host->ctx, index);
    tautd_json_open(json, NULL, '{');
    summary_fields(json, host, index);
    tautd_json_number(json, "volume_l", station->setup.volume_m3 * 1e3);
    tautd_json_number(json, "u_volume_l", station->setup.u_volume_m3 * 1e3);
    channels(json, host, index);
    if (station->phase == TAUT_PHASE_SETTLE || station->phase == TAUT_PHASE_DROP_TEST)
        result_object(json, "drop_test", taut_droptest_result(&station->droptest), 0);
    else
        tautd_json_string(json, "drop_test", NULL);
    if (station->phase >= TAUT_PHASE_READY && station->phase <= TAUT_PHASE_CURE)
        watch_object(json, &station->watch.finding);
    else
        tautd_json_string(json, "watch", NULL);
    tests(json, station);
    alarms(json, "alarms_of_all_kinds", station, true);
    run_and_recipe(json, station);
    tautd_json_count(json, "rows", host->rows(host->ctx, index));
    tautd_json_string(json, "folder", host->folder(host->ctx, index));
    figures(json, station);
    tautd_json_close(json, '}');
}
