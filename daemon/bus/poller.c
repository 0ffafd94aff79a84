/* Failure policy: see peer.c. Should waiting itself fail, which no device can cause, it is tried again after 10 ms. */
#include "bus/poller.h"

#include <errno.h>
#include <pthread.h>
#include <sched.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/eventfd.h>
#include <sys/prctl.h>
#include <time.h>
#include <unistd.h>

#include "bus/peer.h"
#include "clock.h"
#include "log.h"

/* Connections whose time comes within so short a while are served together. */
enum { TOGETHER_NS = 200000, EVENTS = 64 };

struct tautd_poller {
    struct tautd_peer_world world;
    struct tautd_peer *peer;
    struct tautd_peer **heap; /* by next_ns, the earliest first */
    int peers;
    int wake; /* eventfd: something was wanted, or the end */
    pthread_t thread;
    bool started, stop;   /* stop: guarded by lock */
    pthread_mutex_t lock; /* guards all peers; given up while waiting */
};

/* ---- heap ---- */

static void place(struct tautd_poller *poller, int at, struct tautd_peer *peer)
{
    poller->heap[at] = peer;
    peer->heap_index = at;
}

/* Put a peer whose next_ns has changed where it belongs. */
static void settle(struct tautd_poller *poller, struct tautd_peer *peer)
{
    int at = peer->heap_index;
    while (at > 0 && poller->heap[(at - 1) / 2]->next_ns > peer->next_ns) {
        place(poller, at, poller->heap[(at - 1) / 2]);
        at = (at - 1) / 2;
    }
    for (int child; (child = 2 * at + 1) < poller->peers; at = child) {
        if (child + 1 < poller->peers && poller->heap[child + 1]->next_ns < poller->heap[child]->next_ns)
            child++;
        if (poller->heap[child]->next_ns >= peer->next_ns)
            break;
        place(poller, at, poller->heap[child]);
    }
    place(poller, at, peer);
}

/* ---- turning ---- */

static void serve_due(struct tautd_poller *poller)
{
    int64_t now = tautd_clock_real_ns();
    for (int turn = 0; turn < 4 * poller->peers && poller->heap[0]->next_ns <= now + TOGETHER_NS; turn++) {
        struct tautd_peer *peer = poller->heap[0];
        tautd_peer_turn(peer, now > peer->next_ns ? now : peer->next_ns);
        settle(poller, peer);
    }
}

static void serve_ready(struct tautd_poller *poller, const struct epoll_event *event, int n)
{
    int64_t now = tautd_clock_real_ns();
    for (int i = 0; i < n; i++) {
        struct tautd_peer *peer = event[i].data.ptr;
        uint64_t ignored;
        if (!peer) {
            (void)!read(poller->wake, &ignored, sizeof ignored);
            continue;
        }
        tautd_peer_ready(peer, event[i].events, now);
        settle(poller, peer);
    }
}

static struct timespec until_next(const struct tautd_poller *poller)
{
    int64_t now = tautd_clock_real_ns(), next = poller->heap[0]->next_ns, owed = poller->world.wake_owed_ns;
    if (owed && owed < next)
        next = owed;
    int64_t left = next <= now ? 0 : next - now > 3600000000000 ? 3600000000000 : next - now;
    return (struct timespec){.tv_sec = left / 1000000000, .tv_nsec = left % 1000000000};
}

static void *run(void *argument)
{
    struct tautd_poller *poller = argument;
    prctl(PR_SET_TIMERSLACK, 50000UL, 0UL, 0UL, 0UL);
    prctl(PR_SET_NAME, "taut-tcp", 0UL, 0UL, 0UL);
    pthread_mutex_lock(&poller->lock);
    while (!poller->stop) {
        struct epoll_event event[EVENTS];
        struct timespec wait = until_next(poller);
        pthread_mutex_unlock(&poller->lock);
        int n = epoll_pwait2(poller->world.epoll, event, EVENTS, &wait, NULL);
        if (n < 0 && errno != EINTR) {
            tautd_log_sparse(TAUTD_ERROR, "poller", "waiting for TCP units failed: %s", strerror(errno));
            nanosleep(&(struct timespec){.tv_nsec = 10000000}, NULL);
        }
        pthread_mutex_lock(&poller->lock);
        serve_ready(poller, event, n);
        serve_due(poller);
        tautd_peer_hand_over(&poller->world);
        if (poller->world.wake_owed_ns && poller->world.wake_owed_ns <= tautd_clock_real_ns()) {
            poller->world.wake_owed_ns = 0;
            tautd_queue_wake(poller->world.queue);
        }
    }
    pthread_mutex_unlock(&poller->lock);
    return NULL;
}

/* ---- set up ---- */

static bool used(const struct tautd_config *config, int line, int unit)
{
    for (int i = 0; i < config->channels; i++)
        if (config->channel[i].line_index == line && config->channel[i].unit == unit)
            return true;
    for (int i = 0; i < config->outputs; i++)
        if (config->output[i].line_index == line && config->output[i].unit == unit)
            return true;
    return false;
}

/* Count (poller->peer NULL) or make the peers. */
static bool list_peers(struct tautd_poller *poller, int64_t start_ns)
{
    const struct tautd_config *config = poller->world.config;
    poller->peers = 0;
    for (int line = 0; line < config->lines; line++)
        for (int unit = 0; config->line[line].kind == TAUTD_LINE_TCP && unit < 256; unit++) {
            if (!used(config, line, unit))
                continue;
            struct tautd_peer *peer = poller->peer ? &poller->peer[poller->peers] : NULL;
            poller->peers++;
            if (!peer)
                continue;
            if (tautd_peer_init(peer, &poller->world, line, unit, start_ns))
                return false;
            place(poller, poller->peers - 1, peer);
        }
    return true;
}

static int priority(const struct tautd_config *config)
{
    int most = 0;
    for (int line = 0; line < config->lines; line++)
        if (config->line[line].kind == TAUTD_LINE_TCP && config->line[line].real_time_priority > most)
            most = config->line[line].real_time_priority;
    return most;
}

static bool start(struct tautd_poller *poller)
{
    enum { STACK = 256 * 1024 };
    pthread_attr_t attr;
    pthread_attr_init(&attr);
    pthread_attr_setstacksize(&attr, STACK);
    int error = pthread_create(&poller->thread, &attr, run, poller);
    pthread_attr_destroy(&attr);
    poller->started = error == 0;
    struct sched_param param = {.sched_priority = priority(poller->world.config)};
    if (error == 0 && param.sched_priority > 0 && (error = pthread_setschedparam(poller->thread, SCHED_FIFO, &param)) != 0) {
        tautd_log(TAUTD_WARNING, "no real-time priority for TCP lines (%s); going on without (LimitRTPRIO in the unit file?)",
                  strerror(error));
    }
    return poller->started;
}

struct tautd_poller *tautd_poller_new(const struct tautd_config *config, struct tautd_queue *queue, int64_t start_ns)
{
    struct tautd_poller *poller = calloc(1, sizeof *poller);
    if (!poller)
        return NULL;
    poller->world = (struct tautd_peer_world){.config = config, .queue = queue, .epoll = -1};
    poller->wake = -1;
    pthread_mutex_init(&poller->lock, NULL);
    (void)list_peers(poller, 0);
    int peers = poller->peers;
    if (peers == 0)
        return poller;
    poller->peers = 0;
    poller->peer = calloc((size_t)peers, sizeof *poller->peer);
    poller->heap = calloc((size_t)peers, sizeof(struct tautd_peer *));
    poller->world.epoll = epoll_create1(EPOLL_CLOEXEC);
    poller->wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    struct epoll_event event = {.events = EPOLLIN};
    if (!poller->peer || !poller->heap || poller->world.epoll < 0 || poller->wake < 0 ||
        epoll_ctl(poller->world.epoll, EPOLL_CTL_ADD, poller->wake, &event) || !list_peers(poller, start_ns) || !start(poller)) {
        tautd_poller_free(poller);
        return NULL;
    }
    return poller;
}

static void nudge(struct tautd_poller *poller)
{
    uint64_t one = 1;
    (void)!write(poller->wake, &one, sizeof one);
}

enum taut_status tautd_poller_write(struct tautd_poller *poller, int output, bool on)
{
    const struct tautd_output_config *o = &poller->world.config->output[output];
    enum taut_status status = TAUT_E_NOENT;
    pthread_mutex_lock(&poller->lock);
    for (int i = 0; i < poller->peers && status; i++) {
        struct tautd_peer *peer = &poller->peer[i];
        if (peer->line_index != o->line_index || peer->unit != o->unit)
            continue;
        tautd_peer_want(peer, output, on);
        settle(poller, peer);
        status = TAUT_OK;
    }
    pthread_mutex_unlock(&poller->lock);
    if (!status)
        nudge(poller);
    return status;
}

int tautd_poller_stats(struct tautd_poller *poller, int line, struct tautd_bus_stats *sum)
{
    int64_t second = tautd_clock_real_ns() / 1000000000;
    int units = 0;
    pthread_mutex_lock(&poller->lock);
    for (int i = 0; i < poller->peers; i++) {
        const struct tautd_peer *peer = &poller->peer[i];
        if (peer->line_index != line)
            continue;
        units++;
        sum->requests += peer->stats.requests;
        sum->answers += peer->stats.answers;
        sum->timeouts += peer->stats.timeouts;
        sum->exceptions += peer->stats.exceptions;
        sum->bad_frames += peer->stats.bad_frames;
        sum->reconnects += peer->stats.reconnects;
        sum->late += peer->stats.late;
        sum->skipped += peer->stats.skipped;
        sum->up = sum->up && peer->stats.up;
        int64_t busy = 0;
        for (int b = 0; b < 10; b++)
            busy += second - peer->busy_second[b] < 10 ? peer->busy_ns[b] : 0;
        double frac = (double)busy / 1e10;
        sum->busy_frac = frac > sum->busy_frac ? frac : sum->busy_frac;
    }
    pthread_mutex_unlock(&poller->lock);
    return units;
}

void tautd_poller_free(struct tautd_poller *poller)
{
    if (!poller)
        return;
    if (poller->started) {
        pthread_mutex_lock(&poller->lock);
        poller->stop = true;
        pthread_mutex_unlock(&poller->lock);
        nudge(poller);
        pthread_join(poller->thread, NULL);
    }
    for (int i = 0; i < poller->peers && poller->peer; i++)
        tautd_peer_destroy(&poller->peer[i]);
    free(poller->peer);
    free(poller->heap);
    if (poller->world.epoll >= 0)
        close(poller->world.epoll);
    if (poller->wake >= 0)
        close(poller->wake);
    pthread_mutex_destroy(&poller->lock);
    free(poller);
}
