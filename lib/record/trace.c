#include "taut/record.h"

#include <math.h>
#include <string.h>

#include "taut/time.h"
#include "taut/units.h"

/* A row is built by hand in a local buffer: it is the daemon's most frequent text, and printf would cost ten times
 * as many instructions (tests/bench prints both). */

enum { VALUE_MAX = 24, QUALITY_MAX = 40, FIELDS_MAX = 4 + 2 * TAUT_ROLES + 8 };

static const char pairs[] =
    "00010203040506070809101112131415161718192021222324252627282930313233343536373839404142434445464748495051525354"
    "5556575859606162636465666768697071727374757677787980818283848586878889909192939495969798"
    "99";

static char *put_two(char *p, uint32_t value)
{
    memcpy(p, pairs + (size_t)2 * value, 2);
    return p + 2;
}

static char *put_three(char *p, uint32_t value)
{
    uint32_t hundreds = value / 100;
    *p = (char)('0' + hundreds);
    return put_two(p + 1, value - hundreds * 100);
}

static char *put_whole(char *p, uint64_t value)
{
    char digits[20];
    int n = 0;
    do
        digits[n++] = (char)('0' + value % 10);
    while ((value /= 10) != 0);
    while (n > 0)
        *p++ = digits[--n];
    return p;
}

/* The same text as taut_text_add_thousandths. Pressures and the first hours of a run have at most four digits before
 * the point: they go without a loop. */
static char *put_thousandths(char *p, int64_t value)
{
    uint64_t rest = (uint64_t)value;
    if (value < 0) {
        *p++ = '-';
        rest = 0 - rest;
    }
    if (rest >= 10000000) {
        p = put_whole(p, rest / 1000);
        *p++ = '.';
        return put_three(p, (uint32_t)(rest % 1000));
    }
    uint32_t small = (uint32_t)rest, whole = small / 1000;
    if (whole < 10) {
        *p++ = (char)('0' + whole);
    } else if (whole < 100) {
        p = put_two(p, whole);
    } else if (whole < 1000) {
        p = put_three(p, whole);
    } else {
        uint32_t high = whole / 100;
        p = put_two(put_two(p, high), whole - high * 100);
    }
    *p++ = '.';
    return put_three(p, small - whole * 1000);
}

static char *put_text(char *p, const char *text)
{
    size_t n = strlen(text);
    memcpy(p, text, n); /* NOLINT(bugprone-not-null-terminated-result): the row is not a string */
    return p + n;
}

/* RFC 4180: quoted only where needed. `p` has room for twice TAUT_TEXT_MAX. */
static char *put_quoted(char *p, const char *text)
{
    size_t n = strlen(text);
    if (n > TAUT_TEXT_MAX - 1)
        n = TAUT_TEXT_MAX - 1;
    bool quote = strcspn(text, ",\"\r\n") < n;
    if (quote)
        *p++ = '"';
    for (size_t i = 0; i < n; i++) {
        if (text[i] == '"')
            *p++ = '"';
        *p++ = text[i] == '\n' || text[i] == '\r' ? ' ' : text[i];
    }
    if (quote)
        *p++ = '"';
    return p;
}

static bool is_temperature(int role)
{
    return role == TAUT_ROLE_TEMPERATURE;
}

void taut_trace_header(const struct taut_station_setup *setup, struct taut_text *out)
{
    char row[TAUT_TRACE_ROW_MAX], *p = put_text(row, "time_utc,elapsed_s,phase");
    for (int role = 0; role < TAUT_ROLES; role++) {
        const struct taut_station_channel *channel = &setup->channel[role];
        if (!channel->wired)
            continue;
        char name[TAUT_NAME_MAX + 16];
        *put_text(put_text(name, channel->name), is_temperature(role) ? "_degC" : "_mbar") = '\0';
        *p++ = ',';
        p = put_quoted(p, name);
        *put_text(put_text(name, channel->name), "_quality") = '\0';
        *p++ = ',';
        p = put_quoted(p, name);
    }
    p = put_text(p, ",event\r\n");
    taut_text_add_bytes(out, row, (size_t)(p - row));
}

/* Value in thousandths of the file's unit: mbar (the value is a multiple of 0.1 Pa) or degC. */
static int64_t to_thousandths(int role, double value)
{
    double scaled = is_temperature(role) ? value * 1000.0 - 273150.0 : value * 10.0;
    return (int64_t)(scaled < 0 ? scaled - 0.5 : scaled + 0.5);
}

static double from_thousandths(int role, int64_t value)
{
    return is_temperature(role) ? (double)(273150 + value) / 1000.0 : (double)value / 10.0;
}

static char *put_sample(char *p, int role, const struct taut_sample *sample)
{
    bool printable = fabs(sample->value) < 1e12; /* false for NaN */
    if (printable && sample->quality != TAUT_QUALITY_BAD)
        p = put_thousandths(p, to_thousandths(role, sample->value));
    *p++ = ',';
    if (sample->quality == TAUT_QUALITY_GOOD) {
        if (printable)
            return put_text(p, "good");
        return put_text(p, "bad:not-a-number");
    }
    p = put_text(p, taut_quality_text(sample->quality));
    *p++ = ':';
    return put_text(p, taut_reason_text(sample->reason));
}

static char *put_wall(char *p, struct taut_trace_clock *clock, int64_t wall_ns)
{
    int64_t second = wall_ns / TAUT_NS_PER_S, rest = wall_ns % TAUT_NS_PER_S;
    if (rest < 0) {
        second--;
        rest += TAUT_NS_PER_S;
    }
    if (second != clock->second || clock->text[0] == '\0') {
        char time[TAUT_TIME_TEXT_MAX];
        taut_time_print(second * TAUT_NS_PER_S, time);
        memcpy(clock->text, time, 20); /* "2026-11-25T08:26:44." */
        clock->text[20] = '\0';
        clock->second = second;
    }
    memcpy(p, clock->text, 20);
    p = put_three(p + 20, (uint32_t)(rest / TAUT_NS_PER_MS));
    *p++ = 'Z';
    return p;
}

void taut_trace_row(const struct taut_station_setup *setup, struct taut_trace_clock *clock, int64_t wall_ns, int64_t t_ns,
                    enum taut_phase phase, const struct taut_sweep *sweep, const char *event_text, struct taut_text *out)
{
    char row[TAUT_TRACE_ROW_MAX], *p = put_wall(row, clock, wall_ns);
    *p++ = ',';
    p = put_thousandths(p, t_ns / TAUT_NS_PER_MS);
    *p++ = ',';
    p = put_text(p, taut_phase_text(phase));
    *p++ = ',';
    for (int role = 0; role < TAUT_ROLES; role++) {
        if (!setup->channel[role].wired)
            continue;
        if (sweep->present & (1u << role))
            p = put_sample(p, role, &sweep->sample[role]);
        else
            *p++ = ',';
        *p++ = ',';
    }
    if (event_text[0])
        p = put_quoted(p, event_text);
    *p++ = '\r';
    *p++ = '\n';
    taut_text_add_bytes(out, row, (size_t)(p - row));
}

void taut_trace_gap(const char *lost_row, int64_t lost, struct taut_text *out)
{
    char row[TAUT_TRACE_ROW_MAX], *p = row;
    bool quoted = false;
    int separators = 0;
    for (const char *s = lost_row; *s && *s != '\r' && *s != '\n' && p < row + sizeof row - 80; s++) {
        quoted = quoted != (*s == '"');
        if (*s == ',' && !quoted)
            separators++;
        if (separators < 3 || (*s == ',' && !quoted))
            *p++ = *s;
    }
    p = put_text(p, "gap ");
    p = put_whole(p, lost > 0 ? (uint64_t)lost : 0);
    p = put_text(p, " rows lost\r\n");
    taut_text_add_bytes(out, row, (size_t)(p - row));
}

bool taut_trace_is_gap(const char *line, int64_t *lost)
{
    const char *event = strrchr(line, ',');
    if (!event || strncmp(event, ",gap ", 5) != 0)
        return false;
    int64_t n = 0;
    const char *s = event + 5;
    for (; *s >= '0' && *s <= '9' && n < INT64_C(1000000000000); s++)
        n = n * 10 + (*s - '0');
    if (s == event + 5 || strcmp(s, " rows lost") != 0)
        return false;
    *lost = n;
    return true;
}

static int find_column(char **fields, int n, const char *name, const char *suffix, int after)
{
    size_t length = strlen(name);
    for (int i = after; i < n; i++)
        if (strncmp(fields[i], name, length) == 0 && strcmp(fields[i] + length, suffix) == 0)
            return i;
    return -1;
}

enum taut_status taut_trace_columns(const struct taut_station_setup *setup, const char *header_line,
                                    struct taut_trace_columns *out, struct taut_diag *diag)
{
    char header[TAUT_TRACE_ROW_MAX], *fields[FIELDS_MAX];
    size_t length = strcspn(header_line, "\r\n");
    if (length >= sizeof header)
        return taut_diag_set(diag, TAUT_E_FORMAT, "the header has %zu bytes; at most %zu are allowed", length, sizeof header - 1);
    memcpy(header, header_line, length);
    header[length] = '\0';
    int n = taut_csv_split(header, ',', fields, FIELDS_MAX);
    if (n < 0)
        return taut_diag_set(diag, TAUT_E_FORMAT, "the header is not a CSV record with at most %d fields", FIELDS_MAX);
    struct taut_trace_columns columns = {
        .time_utc = find_column(fields, n, "time_utc", "", 0),
        .elapsed_s = find_column(fields, n, "elapsed_s", "", 0),
        .phase = find_column(fields, n, "phase", "", 0),
        .event = find_column(fields, n, "event", "", 3),
    };
    if (columns.time_utc < 0 || columns.elapsed_s < 0)
        return taut_diag_set(diag, TAUT_E_FORMAT, "the header has no column %s", columns.time_utc < 0 ? "time_utc" : "elapsed_s");
    int after = 3; /* two roles may share a channel, and so a name: take the columns in the order they were written */
    for (int role = 0; role < TAUT_ROLES; role++) {
        const struct taut_station_channel *channel = &setup->channel[role];
        columns.value[role] = columns.quality[role] = -1;
        if (!channel->wired)
            continue;
        columns.value[role] = find_column(fields, n, channel->name, is_temperature(role) ? "_degC" : "_mbar", after);
        columns.quality[role] = find_column(fields, n, channel->name, "_quality", after);
        if (columns.value[role] < 0 || columns.quality[role] < 0)
            return taut_diag_set(diag, TAUT_E_FORMAT, "the header has no columns for %s (%s)", channel->name,
                                 taut_role_text((enum taut_role)role));
        after = columns.quality[role] + 1;
    }
    *out = columns;
    return TAUT_OK;
}

/* "-12.345", at most three decimals.  False when it is anything else. */
static bool parse_thousandths(const char *text, int64_t *out)
{
    const char *s = text + (*text == '-');
    int64_t value = 0;
    int digits = 0, decimals = -1;
    for (; *s; s++) {
        if (*s == '.' && decimals < 0 && digits > 0) {
            decimals = 0;
        } else if (*s >= '0' && *s <= '9' && digits < 17) {
            value = value * 10 + (*s - '0');
            digits++;
            decimals += decimals >= 0;
        } else {
            return false;
        }
    }
    if (digits == 0 || decimals == 0 || decimals > 3)
        return false;
    for (int i = decimals < 0 ? 0 : decimals; i < 3; i++)
        value *= 10;
    *out = *text == '-' ? -value : value;
    return true;
}

static bool parse_quality(const char *text, struct taut_sample *sample)
{
    sample->reason = TAUT_REASON_NONE;
    if (strcmp(text, "good") == 0) {
        sample->quality = TAUT_QUALITY_GOOD;
        return true;
    }
    size_t prefix;
    if (strncmp(text, "uncertain:", prefix = 10) == 0)
        sample->quality = TAUT_QUALITY_UNCERTAIN;
    else if (strncmp(text, "bad:", prefix = 4) == 0)
        sample->quality = TAUT_QUALITY_BAD;
    else
        return false;
    return text[prefix] == '\0' || taut_reason_parse(text + prefix, &sample->reason) == TAUT_OK;
}

static enum taut_status refuse(struct taut_diag *diag, const char *line, const char *field, const char *allowed)
{
    taut_diag_set(diag, TAUT_E_FORMAT, "found \"%.60s\"; allowed is %s", field, allowed);
    if (diag)
        diag->column = (int)(field - line) + 1;
    return TAUT_E_FORMAT;
}

static enum taut_status parse_sample(int role, const char *line, const char *value, const char *quality, struct taut_sweep *sweep,
                                     struct taut_diag *diag)
{
    struct taut_sample sample = {.value = (double)NAN};
    int64_t thousandths;
    if (quality[0] == '\0') {
        if (value[0])
            return refuse(diag, line, value, "no value where there is no quality");
        return TAUT_OK;
    }
    if (!parse_quality(quality, &sample))
        return refuse(diag, line, quality, "good, uncertain:<reason> or bad:<reason>");
    if (value[0]) {
        if (!parse_thousandths(value, &thousandths))
            return refuse(diag, line, value, "a number with at most three decimals, or nothing");
        sample.value = from_thousandths(role, thousandths);
    } else if (sample.quality == TAUT_QUALITY_GOOD) {
        return refuse(diag, line, value, "a number where the quality is good");
    }
    sweep->present |= 1u << role;
    sweep->sample[role] = sample;
    return TAUT_OK;
}

enum taut_status taut_trace_parse(const struct taut_trace_columns *columns, char *line, int64_t *wall_ns, int64_t *t_ns,
                                  struct taut_sweep *sweep, struct taut_diag *diag)
{
    char *fields[FIELDS_MAX];
    int n = taut_csv_split(line, ',', fields, FIELDS_MAX);
    int most = columns->event > columns->elapsed_s ? columns->event : columns->elapsed_s;
    if (n < 0)
        return taut_diag_set(diag, TAUT_E_FORMAT, "not a CSV record: a quote is not closed, or there are too many fields");
    if (n <= most)
        return taut_diag_set(diag, TAUT_E_FORMAT, "found %d fields; the header has more", n);
    int64_t wall, milliseconds;
    if (taut_time_parse(fields[columns->time_utc], &wall) != TAUT_OK)
        return refuse(diag, line, fields[columns->time_utc], "an RFC 3339 time such as 2026-11-25T08:26:44.120Z");
    if (!parse_thousandths(fields[columns->elapsed_s], &milliseconds) || milliseconds > INT64_MAX / TAUT_NS_PER_MS)
        return refuse(diag, line, fields[columns->elapsed_s], "seconds with at most three decimals");
    struct taut_sweep found = {0};
    for (int role = 0; role < TAUT_ROLES; role++) {
        if (columns->value[role] < 0)
            continue;
        if (n <= columns->quality[role])
            return taut_diag_set(diag, TAUT_E_FORMAT, "found %d fields; the header has more", n);
        enum taut_status status =
            parse_sample(role, line, fields[columns->value[role]], fields[columns->quality[role]], &found, diag);
        if (status)
            return status;
    }
    *wall_ns = wall;
    *t_ns = milliseconds * TAUT_NS_PER_MS;
    *sweep = found;
    return TAUT_OK;
}
