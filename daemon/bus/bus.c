#include "bus/bus.h"

#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>

#include "bus/worker.h"
#include "clock.h"

struct tautd_bus {
    const struct tautd_config *config;
    struct tautd_queue queue;
    struct tautd_worker *worker;
    int workers;
};

/* Does line `line` have anything to do for `unit` (-1: any)? */
static bool used(const struct tautd_config *config, int line, int unit)
{
    for (int i = 0; i < config->channels; i++)
        if (config->channel[i].line_index == line && (unit < 0 || config->channel[i].unit == unit))
            return true;
    for (int i = 0; i < config->outputs; i++)
        if (config->output[i].line_index == line && (unit < 0 || config->output[i].unit == unit))
            return true;
    return false;
}

/* Call it with bus->worker NULL to count. */
static enum taut_status list_workers(struct tautd_bus *bus, int64_t start_ns)
{
    bus->workers = 0;
    for (int line = 0; line < bus->config->lines; line++) {
        bool serial = bus->config->line[line].kind == TAUTD_LINE_RTU;
        for (int unit = serial ? -1 : 0; unit < (serial ? 0 : TAUTD_UNITS_MAX); unit++) {
            if (!used(bus->config, line, unit))
                continue;
            if (bus->worker &&
                tautd_worker_init(&bus->worker[bus->workers++], bus->config, line, unit, &bus->queue, start_ns) != TAUT_OK)
                return TAUT_E_MEMORY;
            bus->workers += !bus->worker;
        }
    }
    return TAUT_OK;
}

static unsigned queue_size(const struct tautd_config *config)
{
    unsigned want = 8u * (unsigned)(config->channels + config->outputs), size = 1024;
    while (size < want)
        size *= 2;
    return size;
}

static enum taut_status start_workers(struct tautd_bus *bus)
{
    sigset_t all, before;
    enum taut_status status = TAUT_OK;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before); /* signals are the main loop's */
    for (int i = 0; i < bus->workers && status == TAUT_OK; i++)
        status = tautd_worker_start(&bus->worker[i]);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    return status;
}

struct tautd_bus *tautd_bus_new(const struct tautd_config *config, struct taut_diag *diag)
{
    struct tautd_bus *bus = calloc(1, sizeof *bus);
    if (!bus || tautd_queue_open(&bus->queue, queue_size(config)) != TAUT_OK) {
        free(bus);
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory or descriptor for the readings' queue");
        return NULL;
    }
    bus->config = config;
    (void)list_workers(bus, 0);
    bus->worker = calloc(bus->workers > 0 ? (size_t)bus->workers : 1, sizeof *bus->worker);
    if (!bus->worker)
        bus->workers = 0;
    int wanted = bus->workers;
    if (!bus->worker || list_workers(bus, tautd_clock_mono_ns()) != TAUT_OK || start_workers(bus) != TAUT_OK) {
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory or thread for the %d line workers", wanted);
        tautd_bus_free(bus);
        return NULL;
    }
    return bus;
}

int tautd_bus_fd(const struct tautd_bus *bus)
{
    return bus->queue.fd;
}

int tautd_bus_take(struct tautd_bus *bus, struct tautd_reading *out, int most)
{
    return tautd_queue_take(&bus->queue, out, most);
}

enum taut_status tautd_bus_write(struct tautd_bus *bus, int output, bool on)
{
    if (output < 0 || output >= bus->config->outputs)
        return TAUT_E_ARG;
    const struct tautd_output_config *o = &bus->config->output[output];
    for (int i = 0; i < bus->workers; i++) {
        struct tautd_worker *w = &bus->worker[i];
        if (w->line_index == o->line_index && (w->unit < 0 || w->unit == o->unit)) {
            tautd_worker_write(w, output, on);
            return TAUT_OK;
        }
    }
    return TAUT_E_NOENT;
}

void tautd_bus_stats(const struct tautd_bus *bus, int line, struct tautd_bus_stats *out)
{
    bool any = false;
    memset(out, 0, sizeof *out);
    out->up = true;
    for (int i = 0; i < bus->workers; i++)
        if (bus->worker[i].line_index == line) {
            tautd_worker_stats(&bus->worker[i], out);
            any = true;
        }
    out->up = out->up && any;
}

void tautd_bus_free(struct tautd_bus *bus)
{
    if (!bus)
        return;
    for (int i = 0; i < bus->workers; i++)
        tautd_worker_stop(&bus->worker[i]);
    for (int i = 0; i < bus->workers; i++)
        tautd_worker_destroy(&bus->worker[i]);
    free(bus->worker);
    tautd_queue_close(&bus->queue);
    free(bus);
}
