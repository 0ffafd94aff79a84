/* Failure policy: a file is read whole or not at all. What can not be known from it (a unit, the ambient pressure) is
 * asked for, never assumed; a cell that can not be understood ends the reading with file, line and column. */
#include "tautctl/readings.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "taut/text.h"
#include "taut/units.h"
#include "tautctl/csv_in.h"
#include "tautctl/header.h"
#include "tautctl/tautctl.h"

enum what { TIME, PRESSURE, TEMPERATURE, AMBIENT, MANIFOLD, PHASE, QUALITY, EVENT, WHATS };

struct loading {
    const struct tautctl_layout *layout;
    struct tautctl_readings *out;
    struct taut_diag *diag;
    struct tautctl_csv *csv;
    char *heading[TAUTCTL_CSV_CELLS_MAX]; /* owned; NULL when the file has no headings */
    int columns;
    int column[WHATS]; /* index, or -1 */
    double unit_pa, ambient_unit_pa, manifold_unit_pa;
    bool kelvin;
    int time_form; /* enum tautctl_clock of the first time */
    int time_unit;
    double first_number;
    int64_t first_ns, day_ns, last_ns; /* as read; day_ns: midnights passed */
    size_t capacity;
};

static void printable(const char *in, char *out, size_t size)
{
    struct taut_text text;
    taut_text_init(&text, out, size);
    taut_text_add_printable(&text, in);
}

/* Say what only the caller can tell. */
static enum taut_status TAUT_PRINTF(2, 3) ask(struct loading *l, const char *format, ...)
{
    char text[sizeof l->diag->text];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    taut_diag_set(l->diag, TAUT_E_ARG, "%s", "");
    printable(text, l->diag->text, sizeof l->diag->text);
    snprintf(l->diag->file, sizeof l->diag->file, "%s", l->csv->name);
    return TAUT_E_ARG;
}

/* ---- headings ------------------------------------------------------------------------------------------------ */

static bool is_value(const struct tautctl_csv *csv, const char *cell)
{
    double number;
    int64_t ns;
    return tautctl_csv_number(csv, cell, &number) == TAUT_OK || tautctl_csv_clock(cell, &ns) != TAUTCTL_CLOCK_NONE;
}

static bool row_is_heading(const struct tautctl_csv *csv)
{
    bool words = false;
    for (int i = 0; i < csv->cells; i++) {
        if (is_value(csv, csv->cell[i]))
            return false;
        words = words || csv->cell[i][0];
    }
    return words;
}

/* Headings, and a second row of them with the units. Leaves the first row of values in the csv. */
static enum taut_status take_headings(struct loading *l)
{
    enum taut_status status = TAUT_OK;
    l->columns = l->csv->cells;
    for (int row = 0; row < 2 && row_is_heading(l->csv); row++) {
        for (int i = 0; i < l->csv->cells && i < l->columns; i++) {
            const char *before = l->heading[i] ? l->heading[i] : "";
            size_t size = strlen(before) + strlen(l->csv->cell[i]) + 2;
            char *joined = malloc(size);
            if (!joined)
                return taut_diag_set(l->diag, TAUT_E_MEMORY, "no memory");
            snprintf(joined, size, "%s%s%s", before, before[0] && l->csv->cell[i][0] ? " " : "", l->csv->cell[i]);
            free(l->heading[i]);
            l->heading[i] = joined;
        }
        status = tautctl_csv_next(l->csv, l->diag);
        if (status != TAUT_OK)
            break;
    }
    if (status == TAUT_E_NOENT) {
        taut_diag_set(l->diag, TAUT_E_FEW, "no readings under the headings");
        snprintf(l->diag->file, sizeof l->diag->file, "%s", l->csv->name);
        return TAUT_E_FEW;
    }
    return status;
}

static const char *heading(const struct loading *l, int column)
{
    return column >= 0 && l->heading[column] ? l->heading[column] : "";
}

static enum taut_status no_column(struct loading *l, const char *wanted)
{
    char known[160] = "";
    size_t used = 0;
    for (int i = 0; i < l->columns && l->heading[0] && used < sizeof known - 1; i++) {
        int n = snprintf(known + used, sizeof known - used, "%s%s", i ? ", " : "", heading(l, i));
        used += n > 0 ? (size_t)n : 0;
    }
    return ask(l, "no column %.60s; there are %d%s%s", wanted, l->columns, known[0] ? ": " : " without headings", known);
}

/* By number from 1, or by heading. */
static enum taut_status named_column(struct loading *l, const char *wanted, int *index)
{
    char *end;
    long number = strtol(wanted, &end, 10);
    if (end != wanted && *end == '\0') {
        if (number < 1 || number > l->columns)
            return no_column(l, wanted);
        *index = (int)number - 1;
        return TAUT_OK;
    }
    for (int i = 0; i < l->columns; i++) {
        if (strcmp(heading(l, i), wanted) == 0) {
            *index = i;
            return TAUT_OK;
        }
    }
    return no_column(l, wanted);
}

static void guess_time(struct loading *l)
{
    int best = 0;
    for (int i = 0; i < l->columns; i++) {
        int kind = tautctl_header_is_time(heading(l, i));
        if (kind > best) {
            best = kind;
            l->column[TIME] = i;
        }
    }
    if (best == 0)
        l->column[TIME] = 0;
}

/* The first column whose heading has a unit of pressure; without headings, the one after the time. */
static void guess_pressure(struct loading *l)
{
    char unit[16];
    int reference;
    for (int i = 0; i < l->columns; i++) {
        if (i != l->column[TIME] && i != l->column[AMBIENT] && i != l->column[MANIFOLD] &&
            tautctl_header_pressure(heading(l, i), unit, &reference)) {
            l->column[PRESSURE] = i;
            return;
        }
    }
    l->column[PRESSURE] = l->column[TIME] + 1;
}

/* The trace's own quality column: <name>_quality beside <name>_mbar. */
static void find_quality(struct loading *l)
{
    const char *name = heading(l, l->column[PRESSURE]);
    size_t n = strlen(name);
    if (n < 5 || strcmp(name + n - 5, "_mbar") != 0)
        return;
    for (int i = 0; i < l->columns; i++)
        if (strncmp(heading(l, i), name, n - 5) == 0 && strcmp(heading(l, i) + n - 5, "_quality") == 0)
            l->column[QUALITY] = i;
}

/* In a trace the one column in degrees Celsius is the station's temperature. */
static void find_temperature(struct loading *l)
{
    for (int i = 0; i < l->columns && l->column[QUALITY] >= 0 && l->column[TEMPERATURE] < 0; i++) {
        size_t n = strlen(heading(l, i));
        if (n > 5 && strcmp(heading(l, i) + n - 5, "_degC") == 0)
            l->column[TEMPERATURE] = i;
    }
}

static enum taut_status find_columns(struct loading *l)
{
    const struct tautctl_layout *layout = l->layout;
    const char *const wanted[WHATS] = {
        layout->time, layout->pressure, layout->temperature, layout->ambient, layout->manifold, layout->phase, NULL};
    for (int i = 0; i < WHATS; i++) {
        l->column[i] = -1;
        if (!wanted[i])
            continue;
        enum taut_status status = named_column(l, wanted[i], &l->column[i]);
        if (status != TAUT_OK)
            return status;
    }
    if (l->column[TIME] < 0)
        guess_time(l);
    if (l->column[PRESSURE] < 0)
        guess_pressure(l);
    if (l->column[PRESSURE] >= l->columns)
        return ask(l, "only one column: time and pressure are needed; is the separator another one? see --separator");
    for (int i = 0; i < l->columns; i++) {
        if (l->column[PHASE] < 0 && strcmp(heading(l, i), "phase") == 0)
            l->column[PHASE] = i;
        if (strcmp(heading(l, i), "event") == 0)
            l->column[EVENT] = i;
    }
    find_quality(l);
    find_temperature(l);
    return TAUT_OK;
}

/* ---- units --------------------------------------------------------------------------------------------------- */

static enum taut_status pressure_unit(struct loading *l, int column, const char *stated, double *pa, char unit[16],
                                      int *reference)
{
    *reference = -1;
    if (!tautctl_header_pressure(heading(l, column), unit, reference) || stated) {
        if (!stated)
            return ask(l, "the heading of the pressure does not tell its unit: say --unit, one of %s",
                       taut_units_pressure_names());
        snprintf(unit, 16, "%s", stated);
    }
    if (taut_units_pressure(unit, pa) == TAUT_OK)
        return TAUT_OK;
    return ask(l, "--unit: no such unit; allowed are %s", taut_units_pressure_names());
}

static enum taut_status find_reference(struct loading *l, int seen)
{
    struct tautctl_readings *out = l->out;
    out->reference_stated = l->layout->reference >= 0 || seen >= 0;
    out->reference = l->layout->reference >= 0 ? (enum taut_reference)l->layout->reference
                     : seen == 1               ? TAUT_REFERENCE_GAUGE
                                               : TAUT_REFERENCE_ABSOLUTE;
    if (!out->reference_stated && tautctl_header_has(heading(l, l->column[PRESSURE]), "vacuum"))
        return ask(l, "\"%s\" may be absolute, or below ambient: say --reference absolute, gauge or vacuum",
                   heading(l, l->column[PRESSURE]));
    if (out->reference != TAUT_REFERENCE_ABSOLUTE && isnan(l->layout->ambient_pa) && l->column[AMBIENT] < 0)
        return ask(l, "a %s pressure needs the ambient pressure: say --ambient-mbar or --ambient-column",
                   out->reference == TAUT_REFERENCE_GAUGE ? "gauge" : "vacuum");
    return TAUT_OK;
}

static enum taut_status find_units(struct loading *l)
{
    struct tautctl_readings *out = l->out;
    char other[16];
    int reference, ignored;
    enum taut_status status = pressure_unit(l, l->column[PRESSURE], l->layout->unit, &l->unit_pa, out->unit, &reference);
    if (status == TAUT_OK)
        status = find_reference(l, reference);
    if (status == TAUT_OK && l->column[AMBIENT] >= 0 && !tautctl_header_pressure(heading(l, l->column[AMBIENT]), other, &ignored))
        l->ambient_unit_pa = l->unit_pa;
    else if (status == TAUT_OK && l->column[AMBIENT] >= 0)
        status = pressure_unit(l, l->column[AMBIENT], NULL, &l->ambient_unit_pa, other, &ignored);
    if (status == TAUT_OK && l->column[MANIFOLD] >= 0 &&
        !tautctl_header_pressure(heading(l, l->column[MANIFOLD]), other, &ignored))
        l->manifold_unit_pa = l->unit_pa;
    else if (status == TAUT_OK && l->column[MANIFOLD] >= 0)
        status = pressure_unit(l, l->column[MANIFOLD], NULL, &l->manifold_unit_pa, other, &ignored);
    l->kelvin = tautctl_header_kelvin(heading(l, l->column[TEMPERATURE])) == 1;
    out->ambient_column = l->column[AMBIENT] >= 0;
    out->temperature_column = l->column[TEMPERATURE] >= 0;
    out->phases = l->column[PHASE] >= 0;
    printable(heading(l, l->column[TIME]), out->time_column, sizeof out->time_column);
    printable(heading(l, l->column[PRESSURE]), out->pressure_column, sizeof out->pressure_column);
    return status;
}

/* ---- time ---------------------------------------------------------------------------------------------------- */

static enum taut_status wrong_time(const struct loading *l, const char *expected)
{
    return tautctl_csv_complain(l->csv, l->column[TIME], TAUT_E_FORMAT, l->diag, "\"%.40s\" is not a time%s",
                                l->csv->cell[l->column[TIME]], expected);
}

/* What the first time looks like decides how all are read. */
static enum taut_status learn_time(struct loading *l)
{
    const char *cell = l->csv->cell[l->column[TIME]];
    int64_t ns = 0;
    l->time_form = (int)tautctl_csv_clock(cell, &ns);
    l->time_unit = l->layout->time_unit;
    l->first_ns = l->last_ns = ns;
    if (l->time_form == TAUTCTL_CLOCK_DOUBTFUL)
        return wrong_time(l, " that can be read in only one way: write 2026-11-25 08:26:44, or 20:26:44 for 8:26:44 pm");
    if (l->time_form == TAUTCTL_CLOCK_TWO && l->time_unit != TAUTCTL_TIME_HM && l->time_unit != TAUTCTL_TIME_MS_PAIR)
        return ask(l, "\"%s\" may be hours and minutes or minutes and seconds: say --time-unit hh:mm or mm:ss", cell);
    if (l->time_form != TAUTCTL_CLOCK_NONE)
        return TAUT_OK;
    if (tautctl_csv_number(l->csv, cell, &l->first_number) != TAUT_OK)
        return wrong_time(l, ": allowed are a number, h:m:s, or 2026-11-25T08:26:44Z");
    if (l->time_unit < 0)
        l->time_unit = tautctl_header_time_unit(heading(l, l->column[TIME]));
    if (l->time_unit < 0 || l->time_unit > TAUTCTL_TIME_H)
        return ask(l, "the heading of the time does not tell its unit: say --time-unit s, min, h or ms");
    return TAUT_OK;
}

static enum taut_status take_time(struct loading *l, int64_t *t_ns)
{
    static const double seconds[] = {1e-3, 1, 60, 3600};
    const char *cell = l->csv->cell[l->column[TIME]];
    if (l->time_form == TAUTCTL_CLOCK_NONE) {
        double number;
        if (tautctl_csv_number(l->csv, cell, &number) != TAUT_OK)
            return wrong_time(l, ": a number is wanted, like the ones before");
        double s = (number - l->first_number) * seconds[l->time_unit];
        if (!(fabs(s) < 1e9))
            return wrong_time(l, " within thirty years of the first");
        *t_ns = llround(s * 1000) * TAUT_NS_PER_MS;
        return TAUT_OK;
    }
    int64_t ns;
    if ((int)tautctl_csv_clock(cell, &ns) != l->time_form)
        return wrong_time(l, " of the same form as the ones before");
    const int64_t day_ns = INT64_C(86400) * TAUT_NS_PER_S;
    bool of_day = l->time_form == TAUTCTL_CLOCK_HMS || (l->time_form == TAUTCTL_CLOCK_TWO && l->time_unit == TAUTCTL_TIME_HM);
    if (l->time_form == TAUTCTL_CLOCK_TWO && l->time_unit == TAUTCTL_TIME_HM)
        ns *= 60; /* it was read as minutes and seconds */
    ns += l->day_ns;
    if (of_day && ns < l->last_ns - day_ns / 2) { /* past midnight */
        l->day_ns += day_ns;
        ns += day_ns;
    }
    l->last_ns = ns;
    int64_t since_ns = ns - l->first_ns * (l->time_form == TAUTCTL_CLOCK_TWO && l->time_unit == TAUTCTL_TIME_HM ? 60 : 1);
    *t_ns = since_ns / TAUT_NS_PER_MS * TAUT_NS_PER_MS;
    return TAUT_OK;
}

/* ---- values -------------------------------------------------------------------------------------------------- */

static bool is_missing(const struct loading *l, const char *cell)
{
    static const char *const words[] = {"", "-", "--", "---", "nan", "null", "n/a", "na", "#n/a"};
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
        if (strcasecmp(cell, words[i]) == 0)
            return true;
    return l->layout->missing && strcmp(cell, l->layout->missing) == 0;
}

/* A further column's number in SI; NaN when missing. */
static enum taut_status take_other(const struct loading *l, enum what what, double factor, double zero, double least, double most,
                                   double *value)
{
    *value = (double)NAN;
    int column = l->column[what];
    if (column < 0 || is_missing(l, l->csv->cell[column]))
        return TAUT_OK;
    double number;
    if (tautctl_csv_number(l->csv, l->csv->cell[column], &number) != TAUT_OK)
        return tautctl_csv_complain(l->csv, column, TAUT_E_FORMAT, l->diag, "\"%.40s\" is not a number", l->csv->cell[column]);
    double v = number * factor + zero;
    if (!(v >= least && v <= most))
        return tautctl_csv_complain(l->csv, column, TAUT_E_RANGE, l->diag,
                                    "%s is not plausible here; is the unit or the column wrong?", l->csv->cell[column]);
    *value = v;
    return TAUT_OK;
}

static struct taut_sample not_good(enum taut_quality quality, enum taut_reason reason)
{
    return (struct taut_sample){.value = (double)NAN, .quality = quality, .reason = reason};
}

/* The trace says how far a value may be believed; a value that is not good is not used. */
static enum taut_status take_quality(const struct loading *l, struct tautctl_reading *r, bool *good)
{
    *good = true;
    if (l->column[QUALITY] < 0)
        return TAUT_OK;
    const char *cell = l->csv->cell[l->column[QUALITY]];
    r->present = cell[0] != '\0';
    if (!r->present || strcmp(cell, "good") == 0)
        return TAUT_OK;
    *good = false;
    const char *reason = strchr(cell, ':');
    bool uncertain = strncmp(cell, "uncertain", 9) == 0;
    r->p = not_good(uncertain ? TAUT_QUALITY_UNCERTAIN : TAUT_QUALITY_BAD, TAUT_REASON_NONE);
    if ((uncertain || strncmp(cell, "bad", 3) == 0) && reason && taut_reason_parse(reason + 1, &r->p.reason) == TAUT_OK)
        return TAUT_OK;
    return tautctl_csv_complain(l->csv, l->column[QUALITY], TAUT_E_FORMAT, l->diag, "\"%.40s\" is not a quality", cell);
}

static enum taut_status take_pressure(const struct loading *l, struct tautctl_reading *r)
{
    const int column = l->column[PRESSURE];
    const char *cell = l->csv->cell[column];
    bool good;
    r->present = true;
    enum taut_status status = take_quality(l, r, &good);
    if (status != TAUT_OK || !good || !r->present)
        return status;
    if (is_missing(l, cell)) {
        r->p = not_good(TAUT_QUALITY_BAD, TAUT_REASON_NOT_A_NUMBER);
        return TAUT_OK;
    }
    double number;
    if (tautctl_csv_number(l->csv, cell, &number) != TAUT_OK)
        return tautctl_csv_complain(l->csv, column, TAUT_E_FORMAT, l->diag,
                                    strchr(cell, ',') && l->csv->separator != ','
                                        ? "\"%.40s\" is not a number: one decimal point or comma, nothing between thousands"
                                        : "\"%.40s\" is not a number; if it stands for no reading, say --missing",
                                    cell);
    double pa = number * l->unit_pa;
    enum taut_reference reference = l->out->reference;
    if (reference == TAUT_REFERENCE_ABSOLUTE && pa < -100)
        return tautctl_csv_complain(l->csv, column, TAUT_E_RANGE, l->diag,
                                    "%.40s %s can not be an absolute pressure; is it --reference gauge?", cell, l->out->unit);
    if (reference != TAUT_REFERENCE_ABSOLUTE) {
        double ambient_pa = l->out->ambient_column ? r->ambient_pa : l->layout->ambient_pa;
        if (isnan(ambient_pa)) {
            r->p = not_good(TAUT_QUALITY_BAD, TAUT_REASON_NO_AMBIENT);
            return TAUT_OK;
        }
        pa = reference == TAUT_REFERENCE_GAUGE ? ambient_pa + pa : ambient_pa - pa;
    }
    r->p = (struct taut_sample){.value = taut_sample_round_pa(pa), .quality = TAUT_QUALITY_GOOD};
    return TAUT_OK;
}

static enum taut_status take_phase(const struct loading *l, struct tautctl_reading *r)
{
    enum taut_phase phase;
    r->phase = TAUT_PHASES;
    if (l->column[PHASE] < 0)
        return TAUT_OK;
    const char *cell = l->csv->cell[l->column[PHASE]];
    if (taut_phase_parse(cell, &phase) != TAUT_OK)
        return tautctl_csv_complain(l->csv, l->column[PHASE], TAUT_E_FORMAT, l->diag, "\"%.40s\" is not a phase", cell);
    r->phase = (uint8_t)phase;
    r->verdict = l->column[EVENT] >= 0 && strstr(l->csv->cell[l->column[EVENT]], "verdict");
    return TAUT_OK;
}

static enum taut_status check_width(const struct loading *l)
{
    const struct tautctl_csv *csv = l->csv;
    bool trailing = csv->cells == l->columns + 1 && csv->cell[l->columns][0] == '\0';
    if (csv->cells != l->columns && !trailing)
        return tautctl_csv_complain(csv, csv->cells - 1, TAUT_E_FORMAT, l->diag, "%d column%s where %d are expected%s",
                                    csv->cells, csv->cells == 1 ? "" : "s", l->columns,
                                    csv->separator == ',' && csv->cells > l->columns
                                        ? "; with decimal commas the separator must be a semicolon or a tab"
                                        : "");
    return TAUT_OK;
}

static enum taut_status take_row(struct loading *l, struct tautctl_reading *r)
{
    r->line = l->csv->line;
    enum taut_status status = check_width(l);
    if (status == TAUT_OK)
        status = take_time(l, &r->t_ns);
    if (status == TAUT_OK)
        status = take_other(l, AMBIENT, l->ambient_unit_pa, 0, 30000, 120000, &r->ambient_pa);
    if (status == TAUT_OK)
        status = take_other(l, TEMPERATURE, 1, l->kelvin ? 0 : TAUT_KELVIN_AT_0_DEGC, 200, 600, &r->temperature_k);
    if (status == TAUT_OK)
        status = take_other(l, MANIFOLD, l->manifold_unit_pa, 0, -100, 200000, &r->manifold_pa);
    if (status == TAUT_OK)
        status = take_pressure(l, r);
    return status == TAUT_OK ? take_phase(l, r) : status;
}

static enum taut_status keep(struct loading *l, const struct tautctl_reading *r)
{
    struct tautctl_readings *out = l->out;
    if (out->count > 0 && r->t_ns < out->at[out->count - 1].t_ns)
        return tautctl_csv_complain(l->csv, l->column[TIME], TAUT_E_FORMAT, l->diag, "time goes back here, to %.40s",
                                    l->csv->cell[l->column[TIME]]);
    if (out->count == l->capacity) {
        l->capacity = l->capacity ? 2 * l->capacity : 4096;
        struct tautctl_reading *more = l->capacity <= TAUTCTL_READINGS_MAX ? realloc(out->at, l->capacity * sizeof *more) : NULL;
        if (!more)
            return taut_diag_set(l->diag, TAUT_E_MEMORY, "%s: too many readings for the memory", l->csv->name);
        out->at = more;
    }
    out->at[out->count++] = *r;
    out->not_good += r->present && r->p.quality != TAUT_QUALITY_GOOD;
    return TAUT_OK;
}

/* ---- whole file ---------------------------------------------------------------------------------------------- */

static enum taut_status load(struct loading *l)
{
    enum taut_status status = tautctl_csv_skip(l->csv, (int)l->layout->skip_lines, l->diag);
    if (status == TAUT_OK)
        status = tautctl_csv_next(l->csv, l->diag);
    if (status == TAUT_E_NOENT) {
        taut_diag_set(l->diag, TAUT_E_FEW, "no readings in it");
        snprintf(l->diag->file, sizeof l->diag->file, "%s", l->csv->name);
        return TAUT_E_FEW;
    }
    if (status == TAUT_OK)
        status = take_headings(l);
    if (status == TAUT_OK)
        status = find_columns(l);
    if (status == TAUT_OK)
        status = find_units(l);
    if (status == TAUT_OK)
        status = check_width(l);
    if (status == TAUT_OK)
        status = learn_time(l);
    while (status == TAUT_OK) {
        struct tautctl_reading r;
        memset(&r, 0, sizeof r);
        status = take_row(l, &r);
        if (status == TAUT_OK)
            status = keep(l, &r);
        if (status == TAUT_OK)
            status = tautctl_csv_next(l->csv, l->diag);
    }
    return status == TAUT_E_NOENT ? TAUT_OK : status;
}

enum taut_status tautctl_readings_load(const char *path, const struct tautctl_layout *layout, struct tautctl_readings *out,
                                       struct taut_diag *diag)
{
    memset(out, 0, sizeof *out);
    bool standard_input = strcmp(path, "-") == 0;
    const char *name = standard_input ? "standard input" : path;
    FILE *file = standard_input ? stdin : fopen(path, "rb");
    if (!file)
        return taut_diag_set(diag, TAUT_E_IO, "%s: %s", path, strerror(errno));
    struct loading *l = calloc(1, sizeof *l);
    struct tautctl_csv *csv = malloc(sizeof *csv);
    enum taut_status status = TAUT_E_MEMORY;
    if (!l || !csv) {
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory");
        goto out;
    }
    tautctl_csv_init(csv, file, name, layout->separator);
    l->layout = layout;
    l->out = out;
    l->diag = diag;
    l->csv = csv;
    status = load(l);
    for (int i = 0; i < TAUTCTL_CSV_CELLS_MAX; i++)
        free(l->heading[i]);
    if (status != TAUT_OK)
        tautctl_readings_free(out);
out:
    free(csv);
    free(l);
    if (!standard_input)
        fclose(file);
    return status;
}

void tautctl_readings_free(struct tautctl_readings *readings)
{
    free(readings->at);
    memset(readings, 0, sizeof *readings);
}

int tautctl_readings_exit(enum taut_status status)
{
    switch (status) {
    case TAUT_OK:
        return TAUTCTL_OK;
    case TAUT_E_ARG:
        return TAUTCTL_USAGE;
    case TAUT_E_IO:
        return TAUTCTL_NO_INPUT;
    case TAUT_E_MEMORY:
        return TAUTCTL_TROUBLE;
    default:
        return TAUTCTL_BAD_INPUT;
    }
}
