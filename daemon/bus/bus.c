/* The registry: which line is served by which thread. */
#include "bus/bus.h"

#include <signal.h>
#include <stdlib.h>
#include <string.h>

#include "bus/reactor.h"
#include "bus/worker.h"
#include "clock.h"

struct tautd_bus {
    const struct tautd_config *config;
    struct tautd_queue queue;
    struct tautd_worker *worker; /* serial lines */
    int workers;
    struct tautd_reactor reactor; /* all units behind TCP */
};

/* Which units of a line there is anything to do for.  @return how many */
static int mark_units(const struct tautd_config *config, int line, bool used[TAUTD_UNITS_MAX])
{
    int n = 0;
    memset(used, 0, TAUTD_UNITS_MAX * sizeof *used);
    for (int i = 0; i < config->channels; i++)
        if (config->channel[i].line_index == line)
            used[config->channel[i].unit] = true;
    for (int i = 0; i < config->outputs; i++)
        if (config->output[i].line_index == line)
            used[config->output[i].unit] = true;
    for (int unit = 0; unit < TAUTD_UNITS_MAX; unit++)
        n += used[unit];
    return n;
}

static bool serial(const struct tautd_config *config, int line)
{
    return config->line[line].kind == TAUTD_LINE_RTU;
}

/* Make a worker for each serial line and a peer for each unit of the others. */
static enum taut_status assign(struct tautd_bus *bus)
{
    const struct tautd_config *config = bus->config;
    int64_t start_ns = tautd_clock_mono_ns();
    enum taut_status status = TAUT_OK;
    for (int line = 0; line < config->lines && status == TAUT_OK; line++) {
        bool used[TAUTD_UNITS_MAX];
        if (mark_units(config, line, used) == 0)
            continue;
        if (serial(config, line)) {
            status = tautd_worker_init(&bus->worker[bus->workers++], config, line, &bus->queue, start_ns);
            continue;
        }
        for (int unit = 0; unit < TAUTD_UNITS_MAX && status == TAUT_OK; unit++)
            if (used[unit])
                status = tautd_reactor_add(&bus->reactor, config, line, unit, start_ns);
    }
    return status;
}

static enum taut_status start_threads(struct tautd_bus *bus)
{
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before); /* signals are the main loop's */
    enum taut_status status = tautd_reactor_start(&bus->reactor);
    for (int i = 0; i < bus->workers && status == TAUT_OK; i++)
        status = tautd_worker_start(&bus->worker[i]);
    pthread_sigmask(SIG_SETMASK, &before, NULL);
    return status;
}

static unsigned queue_size(const struct tautd_config *config)
{
    unsigned want = 8u * (unsigned)(config->channels + config->outputs), size = 1024;
    while (size < want)
        size *= 2;
    return size;
}

static enum taut_status set_up(struct tautd_bus *bus)
{
    int workers = 0, units = 0;
    for (int line = 0; line < bus->config->lines; line++) {
        bool used[TAUTD_UNITS_MAX];
        workers += serial(bus->config, line);
        units += serial(bus->config, line) ? 0 : mark_units(bus->config, line, used);
    }
    bus->worker = calloc(workers > 0 ? (size_t)workers : 1, sizeof *bus->worker);
    enum taut_status status = tautd_reactor_init(&bus->reactor, units, &bus->queue);
    if (!bus->worker)
        return TAUT_E_MEMORY;
    if (status == TAUT_OK)
        status = assign(bus);
    return status == TAUT_OK ? start_threads(bus) : status;
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
    if (set_up(bus) != TAUT_OK) {
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory, descriptor or thread for the lines");
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
    for (int i = 0; i < bus->workers; i++)
        if (bus->worker[i].feed.line_index == o->line_index) {
            tautd_worker_write(&bus->worker[i], output, on);
            return TAUT_OK;
        }
    for (int i = 0; i < bus->reactor.peers; i++) {
        struct tautd_peer *p = &bus->reactor.peer[i];
        if (p->feed.line_index == o->line_index && p->feed.unit == o->unit) {
            tautd_reactor_write(&bus->reactor, p, output, on);
            return TAUT_OK;
        }
    }
    return TAUT_E_NOENT;
}

void tautd_bus_stats(const struct tautd_bus *bus, int line, struct tautd_bus_stats *out)
{
    bool any = false;
    *out = (struct tautd_bus_stats){.up = true};
    for (int i = 0; i < bus->workers; i++)
        if (bus->worker[i].feed.line_index == line) {
            tautd_feed_stats(&bus->worker[i].feed, out);
            any = true;
        }
    for (int i = 0; i < bus->reactor.peers; i++)
        if (bus->reactor.peer[i].feed.line_index == line) {
            tautd_feed_stats(&bus->reactor.peer[i].feed, out);
            any = true;
        }
    out->up = out->up && any;
}

void tautd_bus_free(struct tautd_bus *bus)
{
    if (!bus)
        return;
    tautd_reactor_stop(&bus->reactor);
    for (int i = 0; i < bus->workers; i++)
        tautd_worker_stop(&bus->worker[i]);
    for (int i = 0; i < bus->workers; i++)
        tautd_worker_destroy(&bus->worker[i]);
    tautd_reactor_destroy(&bus->reactor);
    free(bus->worker);
    tautd_queue_close(&bus->queue);
    free(bus);
}
