/* Failure policy: as in feed.c; a connection is closed after any failure but an exception, and made again after a pause
 * of 0, 1, 2, 4 ... retry_most_s. */
#include "bus/reactor.h"

#include <errno.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include "clock.h"
#include "log.h"

#define NUDGE UINT32_MAX /* in place of a peer's index */
enum { EVENTS = 64 };

static struct tautd_block *block_of(struct tautd_peer *p)
{
    return &p->feed.plan.block[p->which];
}

static struct tautd_health *health_of(struct tautd_peer *p)
{
    return &p->feed.health[0];
}

static int64_t most_ns(const struct tautd_peer *p)
{
    return (int64_t)(p->feed.line->retry_most_s * 1e9);
}

static void hang_up(struct tautd_peer *p)
{
    tautd_tcp_close(&p->tcp);
    tautd_feed_set_up(&p->feed, false);
    p->open_after_ns = tautd_clock_real_ns() + tautd_health_reconnect_ns(health_of(p)->failures, most_ns(p));
}

static void finish_poll(struct tautd_peer *p, const struct tautd_exchange *x, enum taut_reason reason, uint8_t exception)
{
    tautd_feed_report(&p->feed, block_of(p), x, reason, exception);
    if (x)
        tautd_feed_tighten(&p->feed, p->which, x);
    tautd_feed_schedule(&p->feed, block_of(p));
    p->job = TAUTD_JOB_NONE;
}

/* A valve gets a second attempt, at once. */
static void finish_write(struct tautd_peer *p, const struct tautd_exchange *x)
{
    bool final = x && (x->answer.reason == TAUT_REASON_NONE || x->answer.reason == TAUT_REASON_EXCEPTION);
    if (!final && p->attempt++ == 0)
        return;
    tautd_feed_report_write(&p->feed, p->which, p->on, x);
    p->job = TAUTD_JOB_NONE;
}

static void finish(struct tautd_peer *p, const struct tautd_exchange *x)
{
    if (p->job == TAUTD_JOB_POLL)
        finish_poll(p, x, x ? x->answer.reason : TAUT_REASON_LINE_DOWN, x ? x->answer.exception : 0);
    else if (p->job == TAUTD_JOB_WRITE)
        finish_write(p, x);
}

static void on_answer(struct tautd_peer *p)
{
    const struct tautd_exchange *x = &p->tcp.exchange;
    struct tautd_health *h = health_of(p);
    int64_t cost_ns = x->got_real_ns - x->sent_real_ns;
    tautd_feed_count(&p->feed, x, 0);
    bool answered = tautd_feed_learn(&p->feed, h, x);
    if (x->lost)
        hang_up(p);
    else if (!answered && h->away) /* the gateway says so; behind it there may be others that we do not see from here */
        h->retry_ns = tautd_clock_real_ns() + tautd_health_pause_ns(cost_ns, 1, 1, most_ns(p));
    finish(p, x);
}

static void on_refused(struct tautd_peer *p)
{
    tautd_health_failed(health_of(p), TAUT_REASON_LINE_DOWN, 0);
    tautd_log_sparse(TAUTD_WARNING, p->feed.line->name, "%s", p->tcp.diag.text);
    hang_up(p);
    finish(p, NULL);
}

static void ask(struct tautd_peer *p)
{
    enum tautd_tcp_news news;
    if (p->job == TAUTD_JOB_WRITE) {
        struct tautd_ask coil = tautd_feed_coil(&p->feed, p->which, p->on);
        news = tautd_tcp_ask(&p->tcp, &coil, p->feed.line->timeout_s);
    } else {
        news = tautd_tcp_ask(&p->tcp, &block_of(p)->ask, block_of(p)->timeout_s);
    }
    if (news == TAUTD_TCP_ANSWERED)
        on_answer(p);
}

/* @return whether there is something to do now */
static bool take_job(struct tautd_peer *p, int64_t now)
{
    pthread_mutex_lock(&p->feed.lock);
    bool write = tautd_feed_wanted(&p->feed, &p->which, &p->on);
    pthread_mutex_unlock(&p->feed.lock);
    if (write) {
        p->attempt = 0;
        p->job = TAUTD_JOB_WRITE;
        return true;
    }
    int block = tautd_feed_earliest(&p->feed);
    if (block < 0 || tautd_clock_real_deadline_ns(p->feed.plan.block[block].due_ns) > now)
        return false;
    p->which = block;
    p->job = TAUTD_JOB_POLL;
    return true;
}

/* Set the job going, or end it at once when the unit is left alone or the line down. */
static void begin_job(struct tautd_peer *p, int64_t now)
{
    struct tautd_health *h = health_of(p);
    bool poll = p->job == TAUTD_JOB_POLL;
    if (p->tcp.state == TAUTD_TCP_IDLE) {
        if (poll && h->away && now < h->retry_ns)
            finish_poll(p, NULL, h->reason, h->exception);
        else
            ask(p);
        return;
    }
    if (poll && now < p->open_after_ns) {
        finish_poll(p, NULL, h->failures > 0 ? h->reason : TAUT_REASON_LINE_DOWN, 0);
        return;
    }
    tautd_feed_count_open(&p->feed);
    tautd_tcp_connect(&p->tcp, poll ? block_of(p)->timeout_s : p->feed.line->timeout_s);
}

/* Go on as far as possible without waiting.  @return real time of the next attention */
static int64_t advance(struct tautd_peer *p)
{
    for (;;) {
        bool busy = p->tcp.state != TAUTD_TCP_IDLE && p->tcp.state != TAUTD_TCP_CLOSED;
        if (busy)
            return p->tcp.look_ns;
        int64_t now = tautd_clock_real_ns();
        if (p->job == TAUTD_JOB_NONE && !take_job(p, now))
            break;
        begin_job(p, now);
    }
    int block = tautd_feed_earliest(&p->feed);
    return block < 0 ? INT64_MAX : tautd_clock_real_deadline_ns(p->feed.plan.block[block].due_ns);
}

static void attend(struct tautd_reactor *r, int index, bool ready)
{
    struct tautd_peer *p = &r->peer[index];
    switch (tautd_tcp_step(&p->tcp, ready)) {
    case TAUTD_TCP_CONNECTED:
        tautd_log(TAUTD_INFO, "line %s: unit %d connected", p->feed.line->name, p->feed.unit);
        tautd_feed_set_up(&p->feed, true);
        break;
    case TAUTD_TCP_REFUSED:
        on_refused(p);
        break;
    case TAUTD_TCP_ANSWERED:
        on_answer(p);
        break;
    case TAUTD_TCP_GONE:
        hang_up(p);
        break;
    default:
        break;
    }
    r->next_ns[index] = advance(p);
}

static int64_t earliest(const struct tautd_reactor *r)
{
    int64_t first = INT64_MAX;
    for (int i = 0; i < r->peers; i++)
        first = r->next_ns[i] < first ? r->next_ns[i] : first;
    return first;
}

/* Valgrind and kernels before 5.11 wait in whole milliseconds only. */
static int wait_for(struct tautd_reactor *r, struct epoll_event *event, const struct timespec *wait)
{
    int n = r->coarse ? -1 : epoll_pwait2(r->epoll, event, EVENTS, wait, NULL);
    if (!r->coarse && n < 0 && errno == ENOSYS)
        r->coarse = true;
    if (!r->coarse)
        return n;
    return epoll_wait(r->epoll, event, EVENTS, wait ? (int)(wait->tv_sec * 1000 + (wait->tv_nsec + 999999) / 1000000) : -1);
}

/* Sleep until something comes or is due; then the reader is woken if that is owed. */
static int wait_for_events(struct tautd_reactor *r, struct epoll_event *event)
{
    int64_t first = earliest(r), now = tautd_clock_real_ns();
    if (r->wake_owed_ns && r->wake_owed_ns < first)
        first = r->wake_owed_ns;
    struct timespec t = {0, 0};
    if (first > now && first != INT64_MAX)
        t = (struct timespec){.tv_sec = (first - now) / 1000000000, .tv_nsec = (first - now) % 1000000000};
    int n = wait_for(r, event, first == INT64_MAX ? NULL : &t);
    if (r->wake_owed_ns && r->wake_owed_ns <= tautd_clock_real_ns()) {
        r->wake_owed_ns = 0;
        tautd_queue_wake(r->queue);
    }
    return n;
}

static void *run(void *argument)
{
    struct tautd_reactor *r = argument;
    struct epoll_event event[EVENTS];
    int priority = 0;
    for (int i = 0; i < r->peers; i++)
        priority = r->peer[i].feed.line->real_time_priority > priority ? r->peer[i].feed.line->real_time_priority : priority;
    tautd_feed_thread("taut-tcp", priority);
    while (!r->stop) {
        int n = wait_for_events(r, event);
        /* events first: what is due may close and reopen a connection, and its event would be the old one's */
        for (int i = 0; i < n; i++) {
            uint64_t count;
            if (event[i].data.u32 != NUDGE) {
                attend(r, (int)event[i].data.u32, true);
            } else if (read(r->nudge, &count, sizeof count) > 0) {
                for (int k = 0; k < r->peers; k++)
                    r->next_ns[k] = 0; /* a write may be wanted of any */
            }
        }
        int64_t now = tautd_clock_real_ns();
        for (int i = 0; i < r->peers; i++)
            if (r->next_ns[i] <= now)
                attend(r, i, false);
    }
    return NULL;
}

enum taut_status tautd_reactor_init(struct tautd_reactor *r, int room, struct tautd_queue *queue)
{
    struct epoll_event e = {.events = EPOLLIN, .data.u32 = NUDGE};
    *r = (struct tautd_reactor){.room = room, .queue = queue, .epoll = -1, .nudge = -1};
    r->peer = calloc(room > 0 ? (size_t)room : 1, sizeof *r->peer);
    r->next_ns = calloc(room > 0 ? (size_t)room : 1, sizeof *r->next_ns);
    if (!r->peer || !r->next_ns)
        return TAUT_E_MEMORY;
    r->epoll = epoll_create1(EPOLL_CLOEXEC);
    r->nudge = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (r->epoll < 0 || r->nudge < 0 || epoll_ctl(r->epoll, EPOLL_CTL_ADD, r->nudge, &e) != 0)
        return TAUT_E_IO;
    return TAUT_OK;
}

enum taut_status tautd_reactor_add(struct tautd_reactor *r, const struct tautd_config *config, int line_index, int unit,
                                   int64_t start_ns)
{
    struct tautd_peer *p = &r->peer[r->peers];
    *p = (struct tautd_peer){.job = TAUTD_JOB_NONE};
    tautd_tcp_init(&p->tcp, &config->line[line_index], r->epoll, (uint32_t)r->peers++);
    return tautd_feed_init(&p->feed, config, line_index, unit, r->queue, &r->wake_owed_ns, start_ns);
}

enum taut_status tautd_reactor_start(struct tautd_reactor *r)
{
    if (r->peers == 0)
        return TAUT_OK;
    r->started = pthread_create(&r->thread, NULL, run, r) == 0;
    return r->started ? TAUT_OK : TAUT_E_MEMORY;
}

static void nudge(struct tautd_reactor *r)
{
    uint64_t one = 1;
    ssize_t ignored = write(r->nudge, &one, sizeof one);
    (void)ignored; /* fails only when it is readable anyway */
}

void tautd_reactor_stop(struct tautd_reactor *r)
{
    r->stop = true;
    if (r->started)
        nudge(r);
}

void tautd_reactor_destroy(struct tautd_reactor *r)
{
    if (r->started)
        pthread_join(r->thread, NULL);
    for (int i = 0; i < r->peers; i++) {
        tautd_tcp_destroy(&r->peer[i].tcp);
        tautd_feed_destroy(&r->peer[i].feed);
    }
    if (r->epoll >= 0)
        close(r->epoll);
    if (r->nudge >= 0)
        close(r->nudge);
    free(r->peer);
    free(r->next_ns);
}

void tautd_reactor_write(struct tautd_reactor *r, struct tautd_peer *p, int output, bool on)
{
    tautd_feed_want(&p->feed, output, on);
    nudge(r);
}
