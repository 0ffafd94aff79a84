#include "log.h"

#include <pthread.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "clock.h"

static _Atomic int highest = TAUTD_NOTICE;

void tautd_log_set_level(enum tautd_level level)
{
    highest = (int)level;
}

static void write_line(enum tautd_level level, const char *text, unsigned held_back)
{
    char line[1200];
    const char *prefix[] = {"", "", "", "error: ", "warning: ", "", "", "debug: "};
    int n = getenv("JOURNAL_STREAM") ? snprintf(line, sizeof line, "<%d>%s", (int)level, text)
                                     : snprintf(line, sizeof line, "tautd: %s%s", prefix[level], text);
    if (n < 0)
        return;
    size_t used = (size_t)n < sizeof line - 60 ? (size_t)n : sizeof line - 60;
    for (size_t i = 0; i < used; i++)
        if (line[i] == '\n' || line[i] == '\r')
            line[i] = ' ';
    if (held_back)
        used += (size_t)snprintf(line + used, 50, " (%u like it held back)", held_back);
    line[used++] = '\n';
    ssize_t ignored = write(STDERR_FILENO, line, used);
    (void)ignored; /* nowhere left to say it */
}

void tautd_log(enum tautd_level level, const char *format, ...)
{
    if ((int)level > highest)
        return;
    char text[1024];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    write_line(level, text, 0);
}

enum { KEYS = 64 };
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static struct {
    char key[64];
    int64_t last_ns;
    unsigned held_back;
} seen[KEYS]; /* guarded by lock; the oldest slot is reused */

void tautd_log_sparse(enum tautd_level level, const char *key, const char *format, ...)
{
    if ((int)level > highest)
        return;
    int64_t now = tautd_clock_real_ns();
    unsigned held_back = 0;
    pthread_mutex_lock(&lock);
    int slot = 0;
    for (int i = 0; i < KEYS; i++) {
        if (strncmp(seen[i].key, key, sizeof seen[i].key - 1) == 0) {
            slot = i;
            break;
        }
        if (seen[i].last_ns < seen[slot].last_ns)
            slot = i;
    }
    if (strncmp(seen[slot].key, key, sizeof seen[slot].key - 1) == 0 && now - seen[slot].last_ns < INT64_C(60000000000)) {
        seen[slot].held_back++;
        pthread_mutex_unlock(&lock);
        return;
    }
    if (strncmp(seen[slot].key, key, sizeof seen[slot].key - 1) == 0)
        held_back = seen[slot].held_back;
    snprintf(seen[slot].key, sizeof seen[slot].key, "%s", key);
    seen[slot].last_ns = now;
    seen[slot].held_back = 0;
    pthread_mutex_unlock(&lock);

    char text[1024];
    va_list args;
    va_start(args, format);
    vsnprintf(text, sizeof text, format, args);
    va_end(args);
    write_line(level, text, held_back);
}
