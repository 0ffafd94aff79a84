/* tautctl probe: read registers of a transducer once and show them in every type and byte order side by side, so that
 * the right one can be recognised. Works without the daemon; a serial line that the daemon polls is refused.
 * Failure policy: one attempt; what was seen, and what to look at next, goes to stderr. Nothing is ever written. */
#include <cjson/cJSON.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "bus/bus.h"
#include "config/config.h"
#include "tautctl/tautctl.h"

static const char help[] = "Usage: tautctl probe LINE UNIT REGISTER [--table input|holding] [--count N]\n"
                           "                     [--timeout SECONDS] [--config FILE] [--json]\n\n"
                           "Reads registers of one unit and shows them in every type and byte order.\n\n"
                           "  LINE      a line of the configuration, or\n"
                           "            tcp:HOST[:PORT]           such as tcp:192.168.0.20:502\n"
                           "            rtu:DEVICE:BAUD:FORMAT    such as rtu:/dev/ttyUSB0:19200:8E1\n"
                           "  UNIT      address of the unit: 1 to 247 (with TCP 0 to 255)\n"
                           "  REGISTER  0 to 65535 as sent on the line. Lists that count from 40001\n"
                           "            (holding) or 30001 (input) mean one less: 40011 is register 10\n\n"
                           "  --table   holding (function 3) or input (function 4); left out, holding is\n"
                           "            tried first, then input\n"
                           "  --count   how many registers, 1 to 125; 2 when left out\n\n"
                           "Let air into the sensor first: the right reading is then the air pressure, about\n"
                           "1013 mbar or 101300 Pa. Exit codes: 0 read, 1 the unit refused, 69 no answer.\n";

enum { COUNT_MAX = 125, TYPES = 5, ORDERS = 4 };
static const char *const type_word[TYPES] = {"uint16", "int16", "uint32", "int32", "float32"};
static const char *const order_word[ORDERS] = {"ABCD", "CDAB", "BADC", "DCBA"};

struct request {
    struct tautd_line_config line;
    int unit, reg, count, table; /* table -1: both in turn */
    bool named, json;
    const char *config;
};

/* ---- what a number could be ---- */

static const char *hint_of(double number)
{
    double size = fabs(number);
    if (!isfinite(number) || number < 0 || (size > 0 && size < 1e-4))
        return "";
    if (number >= 900 && number <= 1100)
        return "mbar, air";
    if (number >= 90000 && number <= 110000)
        return "Pa, air";
    if (number > 0 && number <= 1100)
        return "mbar";
    return number > 0 && number <= 110000 ? "Pa" : "";
}

static double number_of(const uint16_t *registers, int type, int order)
{
    return taut_decode_registers(registers, (enum taut_reg_type)type, (enum taut_reg_order)order);
}

static bool one_register(int type)
{
    return taut_decode_register_count((enum taut_reg_type)type) == 1;
}

/* A one-register number knows only two orders. */
static bool order_counts(int type, int order)
{
    return !one_register(type) || order == TAUT_ORDER_ABCD || order == TAUT_ORDER_BADC;
}

/* ---- command line ---- */

static bool whole(const char *text, int least, int most, int *out)
{
    char *end;
    long value = strtol(text, &end, 0);
    if (end == text || *end || value < least || value > most)
        return false;
    *out = (int)value;
    return true;
}

static int parse_tcp(char *text, struct tautd_line_config *line)
{
    char *port = strrchr(text, ':');
    line->kind = TAUTD_LINE_TCP;
    line->port = 502;
    if (text[0] == '[') { /* an IPv6 address */
        char *end = strchr(text, ']');
        if (!end)
            return tautctl_usage("probe", "tcp:%s: the bracket is not closed", text);
        *end = '\0';
        port = end[1] == ':' ? end + 1 : NULL;
        text++;
    }
    if (port) {
        *port = '\0';
        if (!whole(port + 1, 1, 65535, &line->port))
            return tautctl_usage("probe", "port %s: must be 1 to 65535", port + 1);
    }
    if (text[0] == '\0' || strlen(text) >= sizeof line->host)
        return tautctl_usage("probe", "tcp: needs a host, such as tcp:192.168.0.20:502");
    snprintf(line->host, sizeof line->host, "%s", text);
    return TAUTCTL_OK;
}

static int parse_rtu(char *text, struct tautd_line_config *line)
{
    static const char parity[] = {[TAUTD_PARITY_NONE] = 'N', [TAUTD_PARITY_EVEN] = 'E', [TAUTD_PARITY_ODD] = 'O'};
    char *format = strrchr(text, ':'); /* from the end: names under /dev/serial/by-path hold colons */
    if (format)
        *format++ = '\0';
    char *baud = strrchr(text, ':');
    if (baud)
        *baud++ = '\0';
    if (!format || !baud || text[0] == '\0' || strlen(text) >= sizeof line->device)
        return tautctl_usage("probe", "rtu: needs device, speed and format, such as rtu:/dev/ttyUSB0:19200:8E1");
    line->kind = TAUTD_LINE_RTU;
    snprintf(line->device, sizeof line->device, "%s", text);
    if (!whole(baud, 1200, 1000000, &line->baud))
        return tautctl_usage("probe", "%s: not a speed in baud", baud);
    const char *found = strlen(format) == 3 ? memchr(parity, format[1] & ~0x20, sizeof parity) : NULL;
    if (!found || format[0] != '8' || (format[2] != '1' && format[2] != '2'))
        return tautctl_usage("probe", "%s: must be 8E1, 8O1, 8N1 or 8N2", format);
    line->parity = (int)(found - parity);
    line->stop_bits = format[2] - '0';
    return TAUTCTL_OK;
}

static int find_line(const char *path, const char *name, struct tautd_line_config *out)
{
    static struct tautd_findings findings;
    char text[512];
    if (access(path, R_OK) != 0)
        return tautctl_say(TAUTCTL_NO_INPUT,
                           "%s can not be read: %s; --config names another, or say tcp:HOST:PORT or "
                           "rtu:DEVICE:BAUD:8E1 instead of the line's name",
                           path, strerror(errno));
    struct tautd_config *config = tautd_config_load(path, &findings);
    if (!config) {
        for (int i = 0; i < findings.count && i < TAUTD_FINDINGS_MAX; i++)
            fprintf(stderr, "tautctl: %s\n", taut_diag_print(&findings.finding[i], text, sizeof text));
        return TAUTCTL_BAD_INPUT;
    }
    int code = TAUTCTL_USAGE;
    for (int i = 0; i < config->lines; i++)
        if (strcmp(config->line[i].name, name) == 0) {
            *out = config->line[i];
            code = TAUTCTL_OK;
        }
    if (code != TAUTCTL_OK) {
        fprintf(stderr, "tautctl probe: no line \"%s\" in %s; there %s", name, path, config->lines == 1 ? "is" : "are");
        for (int i = 0; i < config->lines; i++)
            fprintf(stderr, "%s %s", i ? "," : "", config->line[i].name);
        fputs("; or say tcp:HOST:PORT or rtu:DEVICE:BAUD:8E1\n", stderr);
    }
    tautd_config_free(config);
    return code;
}

static int parse_line(const char *word, struct request *q)
{
    char text[TAUTD_PATH_MAX + 64];
    if (strlen(word) >= sizeof text)
        return tautctl_usage("probe", "the line's name is too long");
    snprintf(text, sizeof text, "%s", word);
    if (strncmp(text, "tcp:", 4) == 0)
        return parse_tcp(text + 4, &q->line);
    if (strncmp(text, "rtu:", 4) == 0)
        return parse_rtu(text + 4, &q->line);
    q->named = true;
    return find_line(q->config, word, &q->line);
}

static int parse_option(char **argv, int left, struct request *q, double *timeout_s)
{
    char *end;
    if (strcmp(argv[0], "--json") == 0) {
        q->json = true;
        return 1;
    }
    if (left < 2)
        return 0;
    if (strcmp(argv[0], "--config") == 0) {
        q->config = argv[1];
        return 2;
    }
    if (strcmp(argv[0], "--table") == 0 && (strcmp(argv[1], "input") == 0 || strcmp(argv[1], "holding") == 0)) {
        q->table = argv[1][0] == 'i' ? TAUTD_TABLE_INPUT : TAUTD_TABLE_HOLDING;
        return 2;
    }
    if (strcmp(argv[0], "--timeout") == 0) {
        *timeout_s = strtod(argv[1], &end);
        return end != argv[1] && !*end && *timeout_s >= 0.01 && *timeout_s <= 30 ? 2 : 0;
    }
    return strcmp(argv[0], "--count") == 0 && whole(argv[1], 1, COUNT_MAX, &q->count) ? 2 : 0;
}

static int parse(int argc, char **argv, struct request *q)
{
    const char *word[3] = {0};
    double timeout_s = 0;
    int words = 0;
    *q = (struct request){.count = 2, .table = -1, .config = "/etc/taut/taut.yaml"};
    snprintf(q->line.name, sizeof q->line.name, "probe");
    q->line.timeout_s = 1;
    q->line.settle_s = 1;
    for (int i = 1; i < argc;) {
        if (argv[i][0] == '-' && argv[i][1] == '-') {
            int used = parse_option(argv + i, argc - i, q, &timeout_s);
            if (used == 0)
                return tautctl_usage("probe", "%s %s: not an option, or not a value it can have", argv[i],
                                     i + 1 < argc ? argv[i + 1] : "");
            i += used;
            continue;
        }
        if (words == 3)
            return tautctl_usage("probe", "%s: one word too many", argv[i]);
        word[words++] = argv[i++];
    }
    if (words < 3)
        return tautctl_usage("probe", "needs LINE, UNIT and REGISTER");
    int code = parse_line(word[0], q);
    if (code != TAUTCTL_OK)
        return code;
    if (timeout_s > 0)
        q->line.timeout_s = timeout_s;
    bool serial = q->line.kind == TAUTD_LINE_RTU;
    if (!whole(word[1], serial ? 1 : 0, serial ? 247 : 255, &q->unit))
        return tautctl_usage("probe", "unit %s: must be %s", word[1], serial ? "1 to 247" : "0 to 255");
    if (!whole(word[2], 0, 65536 - q->count, &q->reg))
        return tautctl_usage("probe", "register %s: must be 0 to %d when %d are read", word[2], 65536 - q->count, q->count);
    return TAUTCTL_OK;
}

/* ---- what was read ---- */

static void print_cell(const uint16_t *registers, int type, int order)
{
    char text[40], number[24];
    if (!order_counts(type, order)) {
        printf(" %-15s", "");
        return;
    }
    double value = number_of(registers, type, order);
    snprintf(number, sizeof number, type == TAUT_REG_FLOAT32 ? "%.6g" : "%.0f", value);
    const char *hint = hint_of(value);
    snprintf(text, sizeof text, "%s%s%s", number,
             hint[0] == 'm'   ? " m"
             : hint[0] == 'P' ? " p"
                              : "",
             strchr(hint, ',') ? "*" : "");
    printf(" %-15s", text);
}

static void print_row(const uint16_t *registers, int reg, int type)
{
    printf("%-8s %6d", type_word[type], reg);
    for (int order = 0; order < ORDERS; order++)
        print_cell(registers, type, order);
    putchar('\n');
}

/* The likeliest reading: air pressure before a plain pressure, a float before an integer (few floats look like
 * pressures by chance).  @return how many are equally likely */
static int likeliest(const uint16_t *registers, int count, int *at, int *type, int *order)
{
    int best = 0, equal = 0;
    for (int i = 0; i < count; i++)
        for (int t = 0; t < TYPES; t++)
            for (int o = 0; o < ORDERS; o++) {
                if (!order_counts(t, o) || (!one_register(t) && i + 1 >= count))
                    continue;
                const char *hint = hint_of(number_of(registers + i, t, o));
                int score = hint[0] ? 1 + (strchr(hint, ',') ? 4 : 0) + (t == TAUT_REG_FLOAT32 ? 2 : 0) : 0;
                if (t != TAUT_REG_FLOAT32 && !strchr(hint, ','))
                    continue;
                equal += score == best;
                if (score > best) {
                    best = score;
                    equal = 1;
                    *at = i;
                    *type = t;
                    *order = o;
                }
            }
    return best > 0 ? equal : 0;
}

static const char *table_word(int table)
{
    return table == TAUTD_TABLE_INPUT ? "input" : "holding";
}

static void print_table(const struct request *q, const uint16_t *registers)
{
    int at = 0, type = 0, order = 0, equal;
    bool zero = true;
    printf("Unit %d, %s registers %d to %d:", q->unit, table_word(q->table), q->reg, q->reg + q->count - 1);
    for (int i = 0; i < q->count; i++) {
        printf("%s %04X", i % 12 == 0 ? "\n " : "", registers[i]);
        zero = zero && registers[i] == 0;
    }
    printf("\n\n%-8s %6s", "type", "from");
    for (int o = 0; o < ORDERS; o++)
        printf(" %-15s", order_word[o]);
    putchar('\n');
    for (int i = 0; i < q->count; i++)
        for (int t = 0; t < TYPES; t++)
            if (one_register(t) || i + 1 < q->count)
                print_row(registers + i, q->reg + i, t);
    puts("\nm: could be mbar (0 to 1100)  p: could be Pa (to 110000)  *: like open air");
    if (zero)
        puts("All are zero: nothing to recognise. Another register, or no sensor connected?");
    else if ((equal = likeliest(registers, q->count, &at, &type, &order)) > 1)
        printf("%d readings are equally likely. Let air into the sensor and read again.\n", equal);
    else if (equal == 1)
        printf("Likeliest, as in taut.yaml:\n  unit: %d, table: %s, register: %d, type: %s, order: %s\n", q->unit,
               table_word(q->table), q->reg + at, type_word[type], order_word[order]);
    else
        puts("None stands out. Integers may be scaled: 10132 in 0.1 mbar is 1013.2 mbar.");
}

static int print_json(const struct request *q, const uint16_t *registers)
{
    cJSON *root = cJSON_CreateObject(), *raw = cJSON_AddArrayToObject(root, "registers");
    cJSON_AddNumberToObject(root, "unit", q->unit);
    cJSON_AddStringToObject(root, "table", table_word(q->table));
    cJSON_AddNumberToObject(root, "register", q->reg);
    cJSON *readings = cJSON_AddArrayToObject(root, "readings");
    for (int i = 0; i < q->count; i++) {
        cJSON_AddItemToArray(raw, cJSON_CreateNumber(registers[i]));
        for (int t = 0; t < TYPES; t++)
            for (int o = 0; o < ORDERS; o++) {
                if (!order_counts(t, o) || (!one_register(t) && i + 1 >= q->count))
                    continue;
                double number = number_of(registers + i, t, o);
                cJSON *item = cJSON_CreateObject();
                cJSON_AddNumberToObject(item, "register", q->reg + i);
                cJSON_AddStringToObject(item, "type", type_word[t]);
                cJSON_AddStringToObject(item, "order", order_word[o]);
                cJSON_AddItemToObject(item, "number", isfinite(number) ? cJSON_CreateNumber(number) : cJSON_CreateNull());
                cJSON_AddStringToObject(item, "hint", hint_of(number));
                cJSON_AddItemToArray(readings, item);
            }
    }
    char *text = cJSON_Print(root);
    cJSON_Delete(root);
    if (!text)
        return tautctl_say(TAUTCTL_TROUBLE, "no memory");
    puts(text);
    cJSON_free(text);
    return TAUTCTL_OK;
}

/* ---- what went wrong ---- */

static void advise(const struct request *q, enum taut_status status)
{
    static const char serial_silent[] = "Check, in this order:\n"
                                        "  - power at the transducer, and its polarity\n"
                                        "  - the pair A/B (D-/D+): swap it once; the letters differ between makers\n"
                                        "  - speed and parity: as set in the device; try 9600 and 19200, 8E1, 8N1 and 8N2\n"
                                        "  - the unit address: as set by switch or software in the device\n"
                                        "  - 120 ohm at both ends of a long line, and a common ground wire\n";
    static const char serial_damaged[] = "Something answers. Check, in this order:\n"
                                         "  - speed and parity: as set in the device\n"
                                         "  - two units with the same address, or a second program on the line\n"
                                         "  - an adapter that echoes what it sends: switch its echo off\n"
                                         "  - 120 ohm at both ends of a long line, and a common ground wire\n";
    static const char tcp_silent[] =
        "Check: the unit address (a gateway passes it on; a device by itself often wants 1 or 255),\n"
        "and with a gateway its serial side: power, A/B, speed, parity, termination.\n";
    if (q->line.kind == TAUTD_LINE_TCP)
        fputs(status == TAUT_E_TIMEOUT ? tcp_silent : "", stderr);
    else if (status != TAUT_E_IO)
        fputs(status == TAUT_E_TIMEOUT ? serial_silent : serial_damaged, stderr);
}

static bool refused(const struct taut_diag *diag)
{
    return diag->status == TAUT_E_PEER && strstr(diag->text, "exception") != NULL;
}

int tautctl_cmd_probe(int argc, char **argv)
{
    struct request q;
    struct taut_diag diag = {.status = TAUT_OK};
    uint16_t registers[COUNT_MAX] = {0};
    if (tautctl_help(argc, argv, help))
        return TAUTCTL_OK;
    int code = parse(argc, argv, &q);
    if (code != TAUTCTL_OK)
        return code;
    bool both = q.table < 0;
    q.table = both ? TAUTD_TABLE_HOLDING : q.table;
    enum taut_status status = tautd_bus_probe(&q.line, q.unit, q.table, q.reg, q.count, registers, &diag);
    if (both && status != TAUT_OK && refused(&diag)) {
        fprintf(stderr, "tautctl: holding registers: %s; trying input registers\n", diag.text);
        q.table = TAUTD_TABLE_INPUT;
        status = tautd_bus_probe(&q.line, q.unit, q.table, q.reg, q.count, registers, &diag);
    }
    if (status == TAUT_OK) {
        if (q.json)
            return print_json(&q, registers);
        print_table(&q, registers);
        return TAUTCTL_OK;
    }
    tautctl_say(0, "%s", diag.text);
    if (refused(&diag)) {
        fputs("The unit is there. Check the register's number (lists that count from 40001 or 30001 mean one\n"
              "less than the last digits), --table, and --count.\n",
              stderr);
        return TAUTCTL_REFUSED;
    }
    advise(&q, status);
    return status == TAUT_E_ARG || status == TAUT_E_RANGE ? TAUTCTL_USAGE : TAUTCTL_UNREACHABLE;
}
