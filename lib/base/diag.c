#include "taut/diag.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum taut_status taut_diag_set(struct taut_diag *diag, enum taut_status status, const char *format, ...)
{
    if (!diag)
        return status;
    memset(diag, 0, sizeof *diag);
    diag->status = status;
    va_list args;
    va_start(args, format);
    vsnprintf(diag->text, sizeof diag->text, format, args);
    va_end(args);
    return status;
}

const char *taut_diag_print(const struct taut_diag *diag, char *out, unsigned long size)
{
    if (size == 0)
        return out;
    if (diag->file[0] && diag->line && diag->column)
        snprintf(out, size, "%s:%d:%d: %s", diag->file, diag->line, diag->column, diag->text);
    else if (diag->file[0] && diag->line)
        snprintf(out, size, "%s:%d: %s", diag->file, diag->line, diag->text);
    else if (diag->file[0])
        snprintf(out, size, "%s: %s", diag->file, diag->text);
    else
        snprintf(out, size, "%s", diag->text);
    return out;
}
