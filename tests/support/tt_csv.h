/* Reads the reference tables: CSV with one header line, by column name. For tests only: what is missing or does
 * not parse ends the test with a message. Quoted cells are understood; a cell does not span lines.
 *
 *   struct tt_csv table;
 *   tt_csv_open(&table, "pump_down.csv");           looks in tests/reference
 *   while (tt_csv_next(&table))
 *       check(tt_csv_number(&table, "p0_mbar"), tt_csv_text(&table, "case"));
 *   tt_csv_close(&table);                           asserts that there was at least one row
 *
 * Include it after cmocka.h. */
#ifndef TT_CSV_H
#define TT_CSV_H

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { TT_CSV_LINE_MAX = 4096, TT_CSV_CELLS_MAX = 64 };

struct tt_csv {
    FILE *file;
    char path[512];
    int line, rows;
    char header_text[TT_CSV_LINE_MAX], row_text[TT_CSV_LINE_MAX];
    char *header[TT_CSV_CELLS_MAX], *row[TT_CSV_CELLS_MAX];
    int columns, cells;
};

static inline int tt_csv_cut(char *text, char **cells)
{
    int n = 0;
    char *read = text;
    for (;;) {
        if (n == TT_CSV_CELLS_MAX)
            fail_msg("more than %d cells", TT_CSV_CELLS_MAX);
        char *write = read;
        bool quoted = *read == '"';
        cells[n++] = write;
        if (quoted)
            read++;
        while (*read && (quoted || *read != ',')) {
            if (quoted && *read == '"') {
                if (read[1] != '"') {
                    quoted = false;
                    read++;
                    continue;
                }
                read++;
            }
            *write++ = *read++;
        }
        bool last = *read == '\0';
        *write = '\0';
        if (last)
            return n;
        read++;
    }
}

static inline bool tt_csv_line(struct tt_csv *csv, char *text)
{
    if (!fgets(text, TT_CSV_LINE_MAX, csv->file))
        return false;
    csv->line++;
    size_t n = strcspn(text, "\r\n");
    if (text[n] == '\0' && n == TT_CSV_LINE_MAX - 1)
        fail_msg("%s:%d: line too long", csv->path, csv->line);
    text[n] = '\0';
    return true;
}

/* `name` is a file of tests/reference, or a path when it has a slash. */
static inline void tt_csv_open(struct tt_csv *csv, const char *name)
{
    memset(csv, 0, sizeof *csv);
    if (strchr(name, '/'))
        snprintf(csv->path, sizeof csv->path, "%s", name);
    else
        snprintf(csv->path, sizeof csv->path, "%s/%s", TAUT_REFERENCE, name);
    csv->file = fopen(csv->path, "r");
    if (!csv->file)
        fail_msg("%s: can not be opened", csv->path);
    if (!tt_csv_line(csv, csv->header_text))
        fail_msg("%s: empty", csv->path);
    csv->columns = tt_csv_cut(csv->header_text, csv->header);
}

static inline bool tt_csv_next(struct tt_csv *csv)
{
    do {
        if (!tt_csv_line(csv, csv->row_text))
            return false;
    } while (csv->row_text[0] == '\0');
    csv->cells = tt_csv_cut(csv->row_text, csv->row);
    if (csv->cells != csv->columns)
        fail_msg("%s:%d: %d cells under %d columns", csv->path, csv->line, csv->cells, csv->columns);
    csv->rows++;
    return true;
}

static inline const char *tt_csv_text(const struct tt_csv *csv, const char *column)
{
    for (int i = 0; i < csv->columns; i++)
        if (strcmp(csv->header[i], column) == 0)
            return csv->row[i];
    fail_msg("%s: no column %s", csv->path, column);
    return "";
}

/* NaN for an empty cell, which means "not given". */
static inline double tt_csv_number(const struct tt_csv *csv, const char *column)
{
    const char *text = tt_csv_text(csv, column);
    if (text[0] == '\0')
        return (double)NAN;
    char *end;
    double value = strtod(text, &end);
    if (*end)
        fail_msg("%s:%d: %s: not a number: %s", csv->path, csv->line, column, text);
    return value;
}

static inline void tt_csv_close(struct tt_csv *csv)
{
    if (csv->rows == 0)
        fail_msg("%s: no rows", csv->path);
    fclose(csv->file);
}

/* |got - want| <= relative * |want|, with the place named. */
static inline void tt_near(double got, double want, double relative, const char *what)
{
    if (!(fabs(got - want) <= relative * fabs(want)))
        fail_msg("%s: got %.15g, want %.15g within %g", what, got, want, relative);
}

static inline void tt_near_abs(double got, double want, double within, const char *what)
{
    if (!(fabs(got - want) <= within))
        fail_msg("%s: got %.15g, want %.15g within %g", what, got, want, within);
}

#endif
