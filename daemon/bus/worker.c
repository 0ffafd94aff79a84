/* Failure policy: whatever goes wrong becomes a reading of quality bad with its reason, one per channel and period,
 * also while a unit is left alone or the line is down; the schedule goes on by absolute times. A period that
 * passed while the line was busy is skipped and counted, never made up for. */
#include "bus/worker.h"

#include <math.h>
#include <pthread.h>
#include <sched.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>

#include "clock.h"
#include "log.h"

enum { BATCH = 64 };

static void push(struct tautd_worker *w, const struct tautd_reading *reading, int n)
{
    int lost = 0;
    int64_t owed = tautd_queue_push(w->queue, reading, n, &lost);
    if (owed > 0)
        w->wake_owed_ns = owed;
    if (lost == 0)
        return;
    pthread_mutex_lock(&w->lock);
    w->stats.lost += (uint64_t)lost;
    pthread_mutex_unlock(&w->lock);
    tautd_log_sparse(TAUTD_ERROR, w->line->name, "line %s: the main loop is too slow, %d readings lost", w->line->name, lost);
}

/* One reading for each channel of a block; a NULL exchange is a failure without one. */
static void report(struct tautd_worker *w, const struct tautd_block *b, const struct tautd_exchange *x, enum taut_reason reason,
                   uint8_t exception)
{
    struct tautd_reading out[BATCH];
    int64_t now = tautd_clock_mono_ns();
    int n = 0;
    for (int i = b->first; i < b->first + b->channels; i++) {
        int index = w->plan.channel[i];
        const struct tautd_channel_config *c = &w->config->channel[index];
        struct tautd_reading r = {.channel = index,
                                  .mono_ns = now,
                                  .number = NAN,
                                  .quality = TAUT_QUALITY_BAD,
                                  .reason = reason,
                                  .exception = exception};
        if (x) {
            r.mono_ns = x->sent_ns + (x->got_ns - x->sent_ns) / 2;
            r.half_ns = (x->got_ns - x->sent_ns) / 2;
        }
        if (reason == TAUT_REASON_NONE) {
            r.number = taut_decode_registers(x->answer.reg + (c->reg - b->ask.address), (enum taut_reg_type)c->type,
                                             (enum taut_reg_order)c->order);
            r.quality = TAUT_QUALITY_GOOD;
        }
        out[n++] = r;
        if (n == BATCH) {
            push(w, out, n);
            n = 0;
        }
    }
    if (n > 0)
        push(w, out, n);
}

static void count(struct tautd_worker *w, const struct tautd_exchange *x)
{
    int64_t second = x->got_real_ns / 1000000000;
    int bin = (int)(second % TAUTD_BUSY_BINS);
    enum taut_reason reason = x->answer.reason;
    pthread_mutex_lock(&w->lock);
    w->stats.requests++;
    w->stats.answers += reason == TAUT_REASON_NONE;
    w->stats.exceptions += x->answer.exception != 0;
    w->stats.timeouts += reason == TAUT_REASON_NO_ANSWER && x->answer.exception == 0;
    w->stats.bad_frames += reason == TAUT_REASON_BAD_FRAME;
    w->stats.late = w->link.late;
    if (w->busy_second[bin] != second) {
        w->busy_second[bin] = second;
        w->busy_ns[bin] = 0;
    }
    w->busy_ns[bin] += x->got_real_ns - x->sent_real_ns;
    pthread_mutex_unlock(&w->lock);
}

static void set_up(struct tautd_worker *w, bool up)
{
    if (w->up == up)
        return;
    w->up = up;
    pthread_mutex_lock(&w->lock);
    w->stats.up = up;
    pthread_mutex_unlock(&w->lock);
}

/* @return whether the line is open now */
static bool open_line(struct tautd_worker *w, double timeout_s, bool at_once)
{
    struct taut_diag diag;
    if (w->link.fd >= 0)
        return true;
    if (!at_once && tautd_clock_real_ns() < w->open_after_ns)
        return false;
    enum taut_status status = tautd_link_open(&w->link, timeout_s, &diag);
    pthread_mutex_lock(&w->lock);
    w->stats.reconnects++;
    pthread_mutex_unlock(&w->lock);
    if (status == TAUT_OK) {
        tautd_log(TAUTD_INFO, "line %s: open", w->line->name);
        set_up(w, true);
        return true;
    }
    if (!w->stop)
        tautd_log_sparse(TAUTD_WARNING, w->line->name, "%s", diag.text);
    return false;
}

static int64_t reopen_pause_ns(const struct tautd_worker *w, int failures)
{
    if (w->line->kind == TAUTD_LINE_RTU)
        return 1000000000; /* an adapter that is plugged in again should be found soon, and looking costs nothing */
    return tautd_health_reconnect_ns(failures, tautd_link_ns(w->line->retry_most_s));
}

static void close_line(struct tautd_worker *w, int failures)
{
    tautd_link_close(&w->link);
    set_up(w, false);
    w->open_after_ns = tautd_clock_real_ns() + reopen_pause_ns(w, failures);
}

static void leave_alone(struct tautd_worker *w, struct tautd_health *h, int64_t cost_ns)
{
    int away = 0;
    for (int i = 0; i < w->units; i++)
        away += w->health[i].away;
    int64_t most_ns = tautd_link_ns(w->line->retry_most_s), now = tautd_clock_real_ns();
    /* behind a gateway there may be others that we do not see from here */
    int present = w->line->kind == TAUTD_LINE_TCP ? 1 : w->units - away;
    int64_t pause = tautd_health_pause_ns(cost_ns, away, present, most_ns);
    int64_t settle = tautd_link_ns(w->line->settle_s);
    h->retry_ns = now + (pause > settle ? pause : settle); /* else a late answer could meet the next request */
    if (w->units > away)
        w->probe_after_ns = now + pause / away;
}

/* Take note of what an exchange says of the unit and of the line. */
static void learn(struct tautd_worker *w, struct tautd_health *h, const struct tautd_exchange *x)
{
    enum taut_reason reason = x->answer.reason;
    int64_t took_ns = x->got_real_ns - x->sent_real_ns;
    if (reason == TAUT_REASON_NONE || reason == TAUT_REASON_EXCEPTION) {
        if (tautd_health_good(h, took_ns))
            tautd_log(TAUTD_NOTICE, "line %s: unit %d answers again", w->line->name, h->id);
        return;
    }
    bool serial = w->line->kind == TAUTD_LINE_RTU;
    if (serial && x->lost) { /* the adapter is gone: no unit is to blame */
        tautd_log_sparse(TAUTD_WARNING, w->line->name, "line %s: %s is gone (%s)", w->line->name, w->line->device,
                         modbus_strerror(x->error));
        close_line(w, 0);
        return;
    }
    if (tautd_health_failed(h, reason, x->answer.exception))
        tautd_log(TAUTD_WARNING, "line %s: unit %d: %s", w->line->name, h->id,
                  reason == TAUT_REASON_NO_ANSWER
                      ? "no answer; is it powered, wired and set to this address and baud rate?"
                      : "answers are damaged or not to the question; noise, wiring or two units with one address?");
    if (x->lost)
        close_line(w, h->failures);
    else if (h->away)
        leave_alone(w, h, took_ns);
}

static bool may_ask(const struct tautd_worker *w, const struct tautd_health *h)
{
    int64_t now = tautd_clock_real_ns();
    return !h->away || w->link.fd < 0 || (now >= h->retry_ns && now >= w->probe_after_ns);
}

/* A unit may refuse to be asked for registers it does not have, though only the gaps between its channels hold them. */
static void tighten(struct tautd_worker *w, int index)
{
    struct tautd_block *b = &w->plan.block[index];
    int registers = b->ask.value, n = tautd_plan_split(w->config, &w->plan, index);
    tautd_log(TAUTD_NOTICE, "line %s: unit %d refuses registers %d to %d in one request; asked for in %d without gaps",
              w->line->name, b->ask.unit, b->ask.address, b->ask.address + registers - 1, n);
}

static void poll_block(struct tautd_worker *w, int index)
{
    struct tautd_block *b = &w->plan.block[index];
    struct tautd_health *h = &w->health[b->unit];
    if (!may_ask(w, h)) {
        report(w, b, NULL, h->reason, h->exception);
        return;
    }
    if (!open_line(w, b->timeout_s, false)) {
        if (tautd_clock_real_ns() >= w->open_after_ns) { /* tried just now */
            if (w->line->kind == TAUTD_LINE_TCP)
                tautd_health_failed(h, TAUT_REASON_LINE_DOWN, 0);
            close_line(w, h->failures);
        }
        report(w, b, NULL, TAUT_REASON_LINE_DOWN, 0);
        return;
    }
    struct tautd_exchange x;
    double timeout_s = w->line->kind == TAUTD_LINE_RTU ? tautd_health_timeout_s(h, b->timeout_s) : b->timeout_s;
    tautd_link_ask(&w->link, &b->ask, timeout_s, !h->away, &x);
    if (w->stop && x.answer.reason != TAUT_REASON_NONE)
        return; /* we were told to end in the middle of it: that says nothing of the unit */
    count(w, &x);
    report(w, b, &x, x.answer.reason, x.answer.exception);
    if (x.answer.reason == TAUT_REASON_EXCEPTION && x.answer.exception == 2 && b->loose)
        tighten(w, index);
    learn(w, h, &x);
}

static void write_output(struct tautd_worker *w, int output, bool on)
{
    const struct tautd_output_config *o = &w->config->output[output];
    struct tautd_ask ask = {
        .unit = (uint8_t)o->unit, .function = TAUTD_WRITE_COIL, .address = (uint16_t)o->coil, .value = on ? 0xFF00 : 0x0000};
    struct tautd_health *h = NULL;
    for (int i = 0; i < w->units; i++)
        if (w->health[i].id == o->unit)
            h = &w->health[i];
    struct tautd_reading r = {.channel = -1 - output,
                              .number = NAN,
                              .quality = TAUT_QUALITY_BAD,
                              .reason = TAUT_REASON_LINE_DOWN,
                              .mono_ns = tautd_clock_mono_ns()};
    for (int attempt = 0; attempt < 2 && !w->stop; attempt++) {
        struct tautd_exchange x;
        /* a valve is not kept waiting for a back-off */
        if (!open_line(w, w->line->timeout_s, true)) {
            close_line(w, h->failures);
            continue;
        }
        tautd_link_ask(&w->link, &ask, w->line->timeout_s, true, &x);
        count(w, &x);
        r.mono_ns = x.sent_ns + (x.got_ns - x.sent_ns) / 2;
        r.half_ns = (x.got_ns - x.sent_ns) / 2;
        r.reason = x.answer.reason;
        r.exception = x.answer.exception;
        r.written = r.reason == TAUT_REASON_NONE;
        learn(w, h, &x);
        if (r.written || r.reason == TAUT_REASON_EXCEPTION)
            break;
    }
    if (r.written) {
        r.quality = TAUT_QUALITY_GOOD;
        r.number = on;
    }
    push(w, &r, 1);
}

static int earliest(const struct tautd_worker *w)
{
    int best = -1;
    for (int i = 0; i < w->plan.blocks; i++)
        if (best < 0 || w->plan.block[i].due_ns < w->plan.block[best].due_ns)
            best = i;
    return best;
}

/* The next time of the block's grid after now; what lies between was missed. */
static void schedule(struct tautd_worker *w, struct tautd_block *b)
{
    int64_t now = tautd_clock_mono_ns(), due = b->due_ns;
    b->due_ns = b->phase_ns + ((now - b->phase_ns) / b->period_ns + 1) * b->period_ns;
    int64_t missed = (b->due_ns - due) / b->period_ns - 1;
    if (missed > 0) {
        pthread_mutex_lock(&w->lock);
        w->stats.skipped += (uint64_t)missed;
        pthread_mutex_unlock(&w->lock);
    }
}

static void wait_until(struct tautd_worker *w, int64_t real_ns)
{
    struct timespec t = {.tv_sec = real_ns / 1000000000, .tv_nsec = real_ns % 1000000000};
    pthread_cond_timedwait(&w->wake, &w->lock, &t);
}

enum job { JOB_STOP, JOB_WAKE, JOB_WRITE, JOB_POLL };

/* Sleep until there is something to do. */
static enum job next_job(struct tautd_worker *w, int *which, bool *on)
{
    enum { FAR_S = 3600 };
    enum job job = JOB_STOP;
    int block = earliest(w);
    pthread_mutex_lock(&w->lock);
    while (!w->stop) {
        int64_t now = tautd_clock_real_ns();
        int64_t due = block >= 0 ? tautd_clock_real_deadline_ns(w->plan.block[block].due_ns) : now + FAR_S * INT64_C(1000000000);
        bool ready = w->wanted > 0 || due <= now;
        /* a reading must not wait in the queue for as long as an exchange may take */
        if (w->wake_owed_ns && (ready || w->wake_owed_ns <= now)) {
            job = JOB_WAKE;
            break;
        }
        if (w->wanted > 0) {
            for (*which = 0; w->want[*which] < 0; ++*which) {
            }
            *on = w->want[*which] == 1;
            w->want[*which] = -1;
            w->wanted--;
            job = JOB_WRITE;
            break;
        }
        if (ready) {
            *which = block;
            job = JOB_POLL;
            break;
        }
        wait_until(w, w->wake_owed_ns && w->wake_owed_ns < due ? w->wake_owed_ns : due);
    }
    pthread_mutex_unlock(&w->lock);
    return job;
}

static void prepare_thread(const struct tautd_worker *w)
{
    static atomic_bool refused;
    prctl(PR_SET_TIMERSLACK, 1000UL, 0UL, 0UL, 0UL); /* 1 us: the silence on a serial line is some 2 ms */
    prctl(PR_SET_NAME, "taut-line", 0UL, 0UL, 0UL);
    if (w->line->real_time_priority <= 0)
        return;
    struct sched_param param = {.sched_priority = w->line->real_time_priority};
    int error = pthread_setschedparam(pthread_self(), SCHED_FIFO, &param);
    if (error && !atomic_exchange(&refused, true))
        tautd_log(TAUTD_WARNING, "line %s: no real-time priority (%s); going on without (LimitRTPRIO in the unit file?)",
                  w->line->name, strerror(error));
}

static void *run(void *argument)
{
    struct tautd_worker *w = argument;
    int which = 0;
    bool on = false;
    prepare_thread(w);
    for (;;) {
        switch (next_job(w, &which, &on)) {
        case JOB_STOP:
            return NULL;
        case JOB_WAKE:
            w->wake_owed_ns = 0;
            tautd_queue_wake(w->queue);
            break;
        case JOB_WRITE:
            write_output(w, which, on);
            break;
        case JOB_POLL:
            poll_block(w, which);
            schedule(w, &w->plan.block[which]);
            break;
        }
    }
}

static int unit_index(struct tautd_worker *w, int unit)
{
    for (int i = 0; i < w->units; i++)
        if (w->health[i].id == unit)
            return i;
    w->health[w->units].id = unit;
    return w->units++;
}

/* Channels of one station are read at the same moment of their period, different stations at different ones: so
 * a station's readings belong together and the load is spread. The golden ratio spreads any number evenly. */
static int64_t phase_of(const struct tautd_config *config, int channel, int worker_key, int64_t period_ns)
{
    int group = config->stations + worker_key;
    for (int s = 0; s < config->stations && group >= config->stations; s++)
        for (int role = 0; role < TAUT_ROLES; role++)
            if (config->station[s].channel_index[role] == channel)
                group = s;
    return (int64_t)((double)period_ns * fmod(group * 0.6180339887498949, 1.0));
}

enum taut_status tautd_worker_init(struct tautd_worker *w, const struct tautd_config *config, int line_index, int unit,
                                   struct tautd_queue *queue, int64_t start_ns)
{
    *w = (struct tautd_worker){
        .config = config, .line = &config->line[line_index], .queue = queue, .line_index = line_index, .unit = unit};
    pthread_condattr_t attr;
    pthread_mutex_init(&w->lock, NULL);
    pthread_condattr_init(&attr);
    pthread_condattr_setclock(&attr, CLOCK_MONOTONIC);
    pthread_cond_init(&w->wake, &attr);
    pthread_condattr_destroy(&attr);
    tautd_link_init(&w->link, w->line, &w->stop);
    size_t channels = config->channels > 0 ? (size_t)config->channels : 1;
    size_t outputs = config->outputs > 0 ? (size_t)config->outputs : 1;
    int *list = calloc(channels, sizeof *list);
    struct tautd_block *blocks = calloc(channels, sizeof *blocks);
    w->want = malloc(outputs);
    w->health = calloc(TAUTD_UNITS_MAX, sizeof *w->health);
    w->plan = (struct tautd_plan){.block = blocks, .channel = list};
    if (!blocks || !list || !w->want || !w->health)
        return TAUT_E_MEMORY;
    memset(w->want, -1, outputs);
    tautd_plan_make(config, line_index, unit, w->line->gap_registers, &w->plan);
    for (int i = 0; i < w->plan.blocks; i++) {
        struct tautd_block *b = &w->plan.block[i];
        b->unit = unit_index(w, b->ask.unit);
        b->due_ns = start_ns; /* the first at once, the others on the grid */
        b->phase_ns = start_ns - b->period_ns + phase_of(config, list[b->first], line_index + b->ask.unit, b->period_ns);
    }
    for (int i = 0; i < config->outputs; i++)
        if (config->output[i].line_index == line_index && (unit < 0 || config->output[i].unit == unit))
            unit_index(w, config->output[i].unit);
    return TAUT_OK;
}

enum taut_status tautd_worker_start(struct tautd_worker *w)
{
    enum { STACK = 256 * 1024 };
    pthread_attr_t attr;
    pthread_attr_init(&attr);
    pthread_attr_setstacksize(&attr, STACK);
    int error = pthread_create(&w->thread, &attr, run, w);
    pthread_attr_destroy(&attr);
    w->started = error == 0;
    return error ? TAUT_E_MEMORY : TAUT_OK;
}

void tautd_worker_stop(struct tautd_worker *w)
{
    pthread_mutex_lock(&w->lock);
    w->stop = true;
    pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->lock);
    tautd_link_interrupt(&w->link);
}

void tautd_worker_destroy(struct tautd_worker *w)
{
    if (w->started)
        pthread_join(w->thread, NULL);
    tautd_link_destroy(&w->link);
    free(w->plan.block);
    free(w->plan.channel);
    free(w->want);
    free(w->health);
    pthread_cond_destroy(&w->wake);
    pthread_mutex_destroy(&w->lock);
}

void tautd_worker_write(struct tautd_worker *w, int output, bool on)
{
    pthread_mutex_lock(&w->lock);
    w->wanted += w->want[output] < 0;
    w->want[output] = on;
    pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->lock);
}

void tautd_worker_stats(struct tautd_worker *w, struct tautd_bus_stats *sum)
{
    int64_t second = tautd_clock_real_ns() / 1000000000, busy = 0;
    pthread_mutex_lock(&w->lock);
    const struct tautd_bus_stats *s = &w->stats;
    sum->requests += s->requests;
    sum->answers += s->answers;
    sum->timeouts += s->timeouts;
    sum->exceptions += s->exceptions;
    sum->bad_frames += s->bad_frames;
    sum->reconnects += s->reconnects;
    sum->late += s->late;
    sum->lost += s->lost;
    sum->skipped += s->skipped;
    sum->up = sum->up && s->up;
    for (int i = 0; i < TAUTD_BUSY_BINS; i++)
        if (second - w->busy_second[i] < TAUTD_BUSY_BINS)
            busy += w->busy_ns[i];
    pthread_mutex_unlock(&w->lock);
    double frac = (double)busy / (TAUTD_BUSY_BINS * 1e9);
    sum->busy_frac = frac > sum->busy_frac ? frac : sum->busy_frac;
}
