/* Checks of lines, outputs and what a serial line can carry. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "config/read.h"

/* The speeds that the serial layer below knows; for any other it would quietly take 9600. */
static const int bauds[] = {1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600};

static void check_baud(struct tautd_reader *reader, int index)
{
    int baud = reader->config->line[index].baud;
    for (size_t i = 0; i < sizeof bauds / sizeof bauds[0]; i++)
        if (bauds[i] == baud)
            return;
    tautd_reader_error(reader, TAUTD_SECTION_LINES, index, "baud",
                       "found %d; allowed: 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600", baud);
}

/* The same file under two names (by-id link and ttyUSB0) is one device. */
static bool same_device(const char *a, const char *b)
{
    if (strcmp(a, b) == 0)
        return true;
    char *real_a = realpath(a, NULL), *real_b = realpath(b, NULL);
    bool same = real_a && real_b && strcmp(real_a, real_b) == 0;
    free(real_a);
    free(real_b);
    return same;
}

static void check_device(struct tautd_reader *reader, int index)
{
    const struct tautd_line_config *line = reader->config->line;
    if (line[index].device[0] != '/')
        tautd_reader_error(reader, TAUTD_SECTION_LINES, index, "device",
                           "found \"%.60s\"; a full path is needed, such as /dev/serial/by-id/usb-...", line[index].device);
    for (int j = 0; j < index; j++) {
        if (!reader->entry[TAUTD_SECTION_LINES][j].clean || line[j].kind != TAUTD_LINE_RTU ||
            !same_device(line[index].device, line[j].device))
            continue;
        tautd_reader_error(reader, TAUTD_SECTION_LINES, index, "device",
                           "line \"%s\" (on line %d) has this device already; put all its channels on one line", line[j].name,
                           tautd_reader_place(reader, TAUTD_SECTION_LINES, j, "device")->line);
        return;
    }
}

static void check_host(struct tautd_reader *reader, int index)
{
    const char *host = reader->config->line[index].host;
    if (host[strcspn(host, " \t/\"'@")])
        tautd_reader_error(reader, TAUTD_SECTION_LINES, index, "host",
                           "found \"%.60s\"; a host name or an address is needed, without port or path", host);
}

void tautd_check_lines(struct tautd_reader *reader)
{
    for (int i = 0; i < reader->config->lines; i++) {
        struct tautd_line_config *line = &reader->config->line[i];
        line->data_bits = 8; /* a Modbus RTU character always has eight */
        if (!reader->entry[TAUTD_SECTION_LINES][i].clean)
            continue;
        if (line->kind == TAUTD_LINE_TCP) {
            check_host(reader, i);
            continue;
        }
        check_baud(reader, i);
        check_device(reader, i);
    }
}

void tautd_check_outputs(struct tautd_reader *reader)
{
    const struct tautd_config *config = reader->config;
    for (int i = 0; i < config->outputs; i++) {
        const struct tautd_output_config *output = &config->output[i];
        if (!reader->entry[TAUTD_SECTION_OUTPUTS][i].clean)
            continue;
        if (config->line[output->line_index].kind == TAUTD_LINE_RTU && (output->unit < 1 || output->unit > 247))
            tautd_reader_error(reader, TAUTD_SECTION_OUTPUTS, i, "unit", "found %d; allowed on a serial line: 1 to 247",
                               output->unit);
        for (int j = 0; j < i; j++) {
            const struct tautd_output_config *other = &config->output[j];
            if (reader->entry[TAUTD_SECTION_OUTPUTS][j].clean && other->line_index == output->line_index &&
                other->unit == output->unit && other->coil == output->coil) {
                tautd_reader_error(reader, TAUTD_SECTION_OUTPUTS, i, "coil",
                                   "output \"%s\" (on line %d) drives this coil already", other->name,
                                   tautd_reader_place(reader, TAUTD_SECTION_OUTPUTS, j, "coil")->line);
                break;
            }
        }
    }
}

/* ---- load of a serial line ------------------------------------------------------------------------------------- */

enum { REGISTERS_PER_REQUEST_MAX = 125 }; /* Modbus Application Protocol V1.1b3, 6.3 */
#define TURNAROUND_S 0.005                /* from question to answer; an assumption, common devices need 1 to 10 ms */

/* What is wanted of a line: one channel. */
struct want {
    int unit, table, reg, registers;
    double period_s, timeout_s;
};

static struct want want_of(const struct tautd_line_config *line, const struct tautd_channel_config *channel)
{
    return (struct want){.unit = channel->unit,
                         .table = channel->table,
                         .reg = channel->reg,
                         .registers = taut_decode_register_count((enum taut_reg_type)channel->type),
                         .period_s = channel->period_s,
                         .timeout_s = channel->timeout_s > 0 ? channel->timeout_s : line->timeout_s};
}

/* 0 when both can be read in one request, as far as it goes by unit, table, period and time-out (daemon/bus/plan.c
 * joins by the same; a test compares them). */
static int compare(const struct want *x, const struct want *y)
{
    if (x->unit != y->unit)
        return x->unit < y->unit ? -1 : 1;
    if (x->table != y->table)
        return x->table < y->table ? -1 : 1;
    if (x->period_s != y->period_s)
        return x->period_s < y->period_s ? -1 : 1;
    if (x->timeout_s != y->timeout_s)
        return x->timeout_s < y->timeout_s ? -1 : 1;
    return 0;
}

static int by_request(const void *a, const void *b)
{
    const struct want *x = a, *y = b;
    int order = compare(x, y);
    return order ? order : x->reg < y->reg ? -1 : x->reg > y->reg;
}

/* Time on the wire of one exchange that reads `registers`, with the silences after question and answer. */
static double exchange_s(const struct tautd_line_config *line, int registers)
{
    int stop_bits = line->stop_bits ? line->stop_bits : line->parity == TAUTD_PARITY_NONE ? 2 : 1;
    double character_s = (1 + 8 + (line->parity != TAUTD_PARITY_NONE) + stop_bits) / (double)line->baud;
    double gap_s = line->gap_s > 0 ? line->gap_s : line->baud > 19200 ? 0.00175 : 3.5 * character_s;
    int characters = 8 + 5 + 2 * registers;
    return characters * character_s + 2 * gap_s;
}

struct load {
    int requests;
    double wire_frac, full_frac; /* share of the time, without and with the turnaround */
    double shortest_s, longest_s;
};

static struct load load_of(const struct tautd_line_config *line, const struct want *sorted, int count)
{
    struct load load = {.shortest_s = INFINITY};
    for (int i = 0, next; i < count; i = next) {
        int first = sorted[i].reg, end = first + sorted[i].registers;
        for (next = i + 1; next < count && compare(&sorted[i], &sorted[next]) == 0; next++) {
            int need = sorted[next].reg + sorted[next].registers;
            if (sorted[next].reg - end > line->gap_registers || need - first > REGISTERS_PER_REQUEST_MAX)
                break;
            end = need > end ? need : end;
        }
        double s = exchange_s(line, end - first);
        load.requests++;
        load.wire_frac += s / sorted[i].period_s;
        load.full_frac += (s + TURNAROUND_S) / sorted[i].period_s;
        load.shortest_s = fmin(load.shortest_s, sorted[i].period_s);
        load.longest_s = fmax(load.longest_s, sorted[i].period_s);
    }
    return load;
}

static void judge_load(struct tautd_reader *reader, int index, const struct load *load)
{
    const struct tautd_line_config *line = &reader->config->line[index];
    char advice[120];
    double need = load->full_frac;
    if (load->shortest_s == load->longest_s)
        snprintf(advice, sizeof advice, "make period_s of its channels at least %.2g s",
                 ceil(need * load->shortest_s * 100) / 100);
    else
        snprintf(advice, sizeof advice, "make each period_s of its channels at least %.1f times as long", ceil(need * 10) / 10);
    if (load->wire_frac > 1)
        tautd_reader_error(reader, TAUTD_SECTION_LINES, index, "baud",
                           "at %d Bd the %d requests of this line need %.0f %% of the time on the wire; %s", line->baud,
                           load->requests, 100 * load->wire_frac, advice);
    else if (load->full_frac > 1)
        tautd_reader_warning(reader, TAUTD_SECTION_LINES, index, "baud",
                             "at %d Bd the %d requests of this line need %.0f %% of the time if devices take %.0f ms to answer; "
                             "to be sure, %s",
                             line->baud, load->requests, 100 * load->full_frac, 1000 * TURNAROUND_S, advice);
}

void tautd_check_load(struct tautd_reader *reader)
{
    const struct tautd_config *config = reader->config;
    struct want *sorted = calloc((size_t)config->channels + 1, sizeof *sorted);
    if (!sorted) {
        tautd_report_error(reader->report, 0, 0, "no memory");
        return;
    }
    for (int l = 0; l < config->lines; l++) {
        int count = 0;
        if (!reader->entry[TAUTD_SECTION_LINES][l].clean || config->line[l].kind != TAUTD_LINE_RTU)
            continue;
        for (int c = 0; c < config->channels; c++)
            if (reader->entry[TAUTD_SECTION_CHANNELS][c].clean && config->channel[c].line_index == l)
                sorted[count++] = want_of(&config->line[l], &config->channel[c]);
        if (count == 0)
            continue;
        qsort(sorted, (size_t)count, sizeof *sorted, by_request);
        struct load load = load_of(&config->line[l], sorted, count);
        judge_load(reader, l, &load);
    }
    free(sorted);
}
