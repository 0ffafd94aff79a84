/* Failure policy: as in feed.c; and a port that is gone is closed at once and looked for every second. */
#include "bus/worker.h"

#include <stdlib.h>
#include <string.h>

#include "clock.h"
#include "log.h"

#define SECOND INT64_C(1000000000)

/* @return whether the port is open now */
static bool open_port(struct tautd_worker *w, bool at_once)
{
    struct taut_diag diag;
    int64_t now = tautd_clock_real_ns();
    if (w->rtu.fd >= 0)
        return true;
    if (!at_once && now < w->open_after_ns)
        return false;
    tautd_feed_count_open(&w->feed);
    if (tautd_rtu_open(&w->rtu, &diag) == TAUT_OK) {
        tautd_log(TAUTD_INFO, "line %s: open", w->feed.line->name);
        tautd_feed_set_up(&w->feed, true);
        return true;
    }
    w->open_after_ns = now + SECOND; /* an adapter plugged in again should be found soon, and looking costs nothing */
    tautd_log_sparse(TAUTD_WARNING, w->feed.line->name, "%s", diag.text);
    return false;
}

static void close_port(struct tautd_worker *w, int error)
{
    tautd_log_sparse(TAUTD_WARNING, w->feed.line->name, "line %s: %s is gone (%s)", w->feed.line->name, w->feed.line->device,
                     strerror(error));
    tautd_rtu_close(&w->rtu);
    tautd_feed_set_up(&w->feed, false);
    w->open_after_ns = tautd_clock_real_ns() + SECOND;
}

static void leave_alone(struct tautd_worker *w, struct tautd_health *h, int64_t cost_ns)
{
    int away = 0;
    for (int i = 0; i < w->feed.units; i++)
        away += w->feed.health[i].away;
    int64_t most_ns = (int64_t)(w->feed.line->retry_most_s * 1e9), settle_ns = (int64_t)(w->feed.line->settle_s * 1e9);
    int64_t pause = tautd_health_pause_ns(cost_ns, away, w->feed.units - away, most_ns), now = tautd_clock_real_ns();
    h->retry_ns = now + (pause > settle_ns ? pause : settle_ns); /* else a late answer could meet the next request */
    if (w->feed.units > away)
        w->probe_after_ns = now + pause / away;
}

/* Take note of what an exchange says of the unit and of the line. */
static void learn(struct tautd_worker *w, struct tautd_health *h, const struct tautd_exchange *x)
{
    if (x->lost) /* the adapter is gone: no unit is to blame */
        close_port(w, x->error);
    else if (!tautd_feed_learn(&w->feed, h, x) && h->away)
        leave_alone(w, h, x->got_real_ns - x->sent_real_ns);
}

static void poll_block(struct tautd_worker *w, int index)
{
    struct tautd_block *b = &w->feed.plan.block[index];
    struct tautd_health *h = &w->feed.health[b->unit];
    struct tautd_exchange x;
    int64_t now = tautd_clock_real_ns();
    if (!open_port(w, false)) {
        tautd_feed_report(&w->feed, b, NULL, TAUT_REASON_LINE_DOWN, 0);
        return;
    }
    if (h->away && (now < h->retry_ns || now < w->probe_after_ns)) {
        tautd_feed_report(&w->feed, b, NULL, h->reason, h->exception);
        return;
    }
    tautd_rtu_ask(&w->rtu, &b->ask, tautd_health_timeout_s(h, b->timeout_s), !h->away, &x);
    if (w->stop && x.answer.reason != TAUT_REASON_NONE)
        return; /* we were told to end in the middle of it: that says nothing of the unit */
    tautd_feed_count(&w->feed, &x, w->rtu.late);
    tautd_feed_report(&w->feed, b, &x, x.answer.reason, x.answer.exception);
    tautd_feed_tighten(&w->feed, index, &x);
    learn(w, h, &x);
}

/* A valve is not kept waiting for a back-off, and gets a second attempt. */
static void write_output(struct tautd_worker *w, int output, bool on)
{
    struct tautd_ask ask = tautd_feed_coil(&w->feed, output, on);
    struct tautd_health *h = tautd_feed_health(&w->feed, ask.unit);
    struct tautd_exchange x;
    bool asked = false;
    for (int attempt = 0; attempt < 2 && !w->stop; attempt++) {
        if (!open_port(w, true))
            continue;
        asked = true;
        tautd_rtu_ask(&w->rtu, &ask, w->feed.line->timeout_s, true, &x);
        tautd_feed_count(&w->feed, &x, w->rtu.late);
        learn(w, h, &x);
        if (x.answer.reason == TAUT_REASON_NONE || x.answer.reason == TAUT_REASON_EXCEPTION)
            break;
    }
    tautd_feed_report_write(&w->feed, output, on, asked ? &x : NULL);
}

static void wait_until(struct tautd_worker *w, int64_t real_ns)
{
    struct timespec t = {.tv_sec = real_ns / SECOND, .tv_nsec = real_ns % SECOND};
    pthread_cond_timedwait(&w->wake, &w->feed.lock, &t);
}

enum job { JOB_STOP, JOB_WAKE, JOB_WRITE, JOB_POLL };

/* Sleep until there is something to do. */
static enum job next_job(struct tautd_worker *w, int *which, bool *on)
{
    enum { FAR_S = 3600 };
    enum job job = JOB_STOP;
    int block = tautd_feed_earliest(&w->feed);
    pthread_mutex_lock(&w->feed.lock);
    while (!w->stop) {
        int64_t now = tautd_clock_real_ns();
        int64_t due = block >= 0 ? tautd_clock_real_deadline_ns(w->feed.plan.block[block].due_ns) : now + FAR_S * SECOND;
        bool ready = w->feed.wanted > 0 || due <= now;
        /* a reading must not wait in the queue for as long as an exchange may take */
        if (w->wake_owed_ns && (ready || w->wake_owed_ns <= now)) {
            job = JOB_WAKE;
            break;
        }
        if (tautd_feed_wanted(&w->feed, which, on)) {
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
    pthread_mutex_unlock(&w->feed.lock);
    return job;
}

static void *run(void *argument)
{
    struct tautd_worker *w = argument;
    int which = 0;
    bool on = false;
    tautd_feed_thread("taut-serial", w->feed.line->real_time_priority);
    for (;;) {
        switch (next_job(w, &which, &on)) {
        case JOB_STOP:
            return NULL;
        case JOB_WAKE:
            w->wake_owed_ns = 0;
            tautd_queue_wake(w->feed.queue);
            break;
        case JOB_WRITE:
            write_output(w, which, on);
            break;
        case JOB_POLL:
            poll_block(w, which);
            tautd_feed_schedule(&w->feed, &w->feed.plan.block[which]);
            break;
        }
    }
}

enum taut_status tautd_worker_init(struct tautd_worker *w, const struct tautd_config *config, int line_index,
                                   struct tautd_queue *queue, int64_t start_ns)
{
    pthread_condattr_t attr;
    *w = (struct tautd_worker){.started = false};
    pthread_condattr_init(&attr);
    pthread_condattr_setclock(&attr, CLOCK_MONOTONIC);
    pthread_cond_init(&w->wake, &attr);
    pthread_condattr_destroy(&attr);
    tautd_rtu_init(&w->rtu, &config->line[line_index], &w->stop);
    return tautd_feed_init(&w->feed, config, line_index, -1, queue, &w->wake_owed_ns, start_ns);
}

enum taut_status tautd_worker_start(struct tautd_worker *w)
{
    w->started = pthread_create(&w->thread, NULL, run, w) == 0;
    return w->started ? TAUT_OK : TAUT_E_MEMORY;
}

void tautd_worker_stop(struct tautd_worker *w)
{
    pthread_mutex_lock(&w->feed.lock);
    w->stop = true;
    pthread_cond_signal(&w->wake);
    pthread_mutex_unlock(&w->feed.lock);
}

void tautd_worker_destroy(struct tautd_worker *w)
{
    if (w->started)
        pthread_join(w->thread, NULL);
    tautd_rtu_close(&w->rtu);
    tautd_feed_destroy(&w->feed);
    pthread_cond_destroy(&w->wake);
}

void tautd_worker_write(struct tautd_worker *w, int output, bool on)
{
    tautd_feed_want(&w->feed, output, on);
    pthread_cond_signal(&w->wake);
}
