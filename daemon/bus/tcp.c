#include "bus/tcp.h"

#include <errno.h>
#include <math.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/socket.h>
#include <unistd.h>

#include "clock.h"

#define LOOK_NS INT64_C(20000000) /* how often a look-up is looked after */

static int64_t ns_of(double s)
{
    return llround(s * 1e9);
}

/* A look-up can hang far longer than anybody wants to wait, and can not be ended. So it has a thread of its own; when it
 * takes too long it is left to itself and its outcome asked for again at the next attempt. (glibc's own
 * getaddrinfo_a would do the same, but its threads are unknown to the thread sanitizer.) */
struct tautd_tcp_lookup {
    pthread_mutex_t lock;
    bool done, forgotten; /* guarded by lock, like what follows; who comes last frees */
    int error;
    struct addrinfo *found;
    char host[128], port[8]; /* set before the thread starts */
};

static const struct addrinfo any_stream = {.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICSERV};

static void lookup_free(struct tautd_tcp_lookup *l)
{
    if (l->found)
        freeaddrinfo(l->found);
    pthread_mutex_destroy(&l->lock);
    free(l);
}

static void *lookup_run(void *argument)
{
    struct tautd_tcp_lookup *l = argument;
    struct addrinfo *found = NULL;
    int error = getaddrinfo(l->host, l->port, &any_stream, &found);
    pthread_mutex_lock(&l->lock);
    l->error = error;
    l->found = error == 0 ? found : NULL;
    l->done = true;
    bool forgotten = l->forgotten;
    pthread_mutex_unlock(&l->lock);
    if (forgotten)
        lookup_free(l);
    return NULL;
}

static struct tautd_tcp_lookup *lookup_start(const char *host, const char *port)
{
    struct tautd_tcp_lookup *l = calloc(1, sizeof *l);
    pthread_t thread;
    if (!l)
        return NULL;
    snprintf(l->host, sizeof l->host, "%s", host);
    snprintf(l->port, sizeof l->port, "%s", port);
    pthread_mutex_init(&l->lock, NULL);
    if (pthread_create(&thread, NULL, lookup_run, l) != 0) {
        lookup_free(l);
        return NULL;
    }
    pthread_detach(thread);
    return l;
}

static void forget_lookup(struct tautd_tcp *t)
{
    struct tautd_tcp_lookup *l = t->lookup;
    if (!l)
        return;
    t->lookup = NULL;
    pthread_mutex_lock(&l->lock);
    l->forgotten = true;
    bool done = l->done;
    pthread_mutex_unlock(&l->lock);
    if (done)
        lookup_free(l);
}

/* @return whether the look-up has ended; then *error (0 or an EAI code), and the addresses are ours */
static bool take_lookup(struct tautd_tcp *t, int *error)
{
    struct tautd_tcp_lookup *l = t->lookup;
    pthread_mutex_lock(&l->lock);
    bool done = l->done;
    if (done) {
        *error = l->error;
        t->address = l->found;
        l->found = NULL;
    }
    pthread_mutex_unlock(&l->lock);
    if (done)
        forget_lookup(t);
    return done;
}

static void set(int fd, int level, int option, int value)
{
    (void)!setsockopt(fd, level, option, &value, sizeof value); /* each of them only makes things better */
}

static void tune(int fd, double timeout_s)
{
    set(fd, IPPROTO_TCP, TCP_NODELAY, 1);
    /* a peer that has vanished is noticed between polls as well, however rare they are */
    set(fd, SOL_SOCKET, SO_KEEPALIVE, 1);
    set(fd, IPPROTO_TCP, TCP_KEEPIDLE, 10);
    set(fd, IPPROTO_TCP, TCP_KEEPINTVL, 5);
    set(fd, IPPROTO_TCP, TCP_KEEPCNT, 2);
    set(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, timeout_s > 1.0 ? (int)(timeout_s * 2000) : 2000);
}

static const char *why_not(int error)
{
    switch (error) {
    case ECONNREFUSED:
        return "connection refused; is Modbus TCP switched on there, on this port, and a connection free?";
    case ETIMEDOUT:
        return "no answer to the connection request; is the address right and the cable in?";
    case EHOSTUNREACH:
    case ENETUNREACH:
        return "no way to this address; check network, address and mask";
    default:
        return strerror(error);
    }
}

static enum tautd_tcp_news refused(struct tautd_tcp *t, int error)
{
    tautd_tcp_close(t);
    taut_diag_set(&t->diag, error == ETIMEDOUT ? TAUT_E_TIMEOUT : TAUT_E_IO, "line %s: can not connect to %s port %d: %s",
                  t->line->name, t->line->host, t->line->port, why_not(error));
    return TAUTD_TCP_REFUSED;
}

static enum tautd_tcp_news not_found(struct tautd_tcp *t, int error)
{
    tautd_tcp_close(t);
    taut_diag_set(&t->diag, TAUT_E_IO, "line %s: can not find host %s: %s", t->line->name, t->line->host, gai_strerror(error));
    return TAUTD_TCP_REFUSED;
}

static void watch(const struct tautd_tcp *t, int operation, uint32_t events)
{
    struct epoll_event e = {.events = events, .data.u32 = t->tag};
    (void)!epoll_ctl(t->epoll, operation, t->fd, &e); /* without it the deadline ends the wait */
}

/* Try the addresses from `trying` on. */
static enum tautd_tcp_news try_addresses(struct tautd_tcp *t)
{
    int error = ECONNREFUSED;
    for (; t->trying; t->trying = t->trying->ai_next) {
        const struct addrinfo *a = t->trying;
        t->fd = socket(a->ai_family, a->ai_socktype | SOCK_CLOEXEC | SOCK_NONBLOCK, a->ai_protocol);
        if (t->fd >= 0 && (connect(t->fd, a->ai_addr, a->ai_addrlen) == 0 || errno == EINPROGRESS)) {
            watch(t, EPOLL_CTL_ADD, EPOLLOUT);
            t->state = TAUTD_TCP_CONNECTING;
            t->look_ns = t->deadline_ns;
            return TAUTD_TCP_NOTHING;
        }
        error = errno;
        if (t->fd >= 0)
            close(t->fd);
        t->fd = -1;
    }
    return refused(t, error);
}

static enum tautd_tcp_news step_lookup(struct tautd_tcp *t)
{
    int error = 0;
    if (!take_lookup(t, &error)) {
        int64_t now = tautd_clock_real_ns();
        if (now >= t->deadline_ns)
            return not_found(t, EAI_AGAIN); /* it goes on by itself; the next attempt finds its outcome */
        t->look_ns = now + LOOK_NS;
        return TAUTD_TCP_NOTHING;
    }
    if (error)
        return not_found(t, error);
    t->trying = t->address;
    return try_addresses(t);
}

static enum tautd_tcp_news step_connecting(struct tautd_tcp *t, bool ready)
{
    int error = 0;
    socklen_t size = sizeof error;
    if (!ready)
        return tautd_clock_real_ns() < t->deadline_ns ? TAUTD_TCP_NOTHING : refused(t, ETIMEDOUT);
    if (getsockopt(t->fd, SOL_SOCKET, SO_ERROR, &error, &size) < 0)
        error = errno;
    if (error) {
        close(t->fd);
        t->fd = -1;
        t->trying = t->trying->ai_next;
        return t->trying ? try_addresses(t) : refused(t, error);
    }
    tune(t->fd, t->line->timeout_s);
    watch(t, EPOLL_CTL_MOD, EPOLLIN);
    freeaddrinfo(t->address);
    t->address = t->trying = NULL;
    t->state = TAUTD_TCP_IDLE;
    t->look_ns = INT64_MAX;
    return TAUTD_TCP_CONNECTED;
}

/* The exchange is over. */
static enum tautd_tcp_news answered(struct tautd_tcp *t)
{
    struct tautd_exchange *x = &t->exchange;
    x->got_real_ns = tautd_clock_real_ns();
    x->got_ns = tautd_clock_mono_ns();
    x->lost = x->lost || x->answer.reason == TAUT_REASON_BAD_FRAME ||
              (x->answer.reason == TAUT_REASON_NO_ANSWER && x->answer.exception == 0);
    t->state = TAUTD_TCP_IDLE;
    t->look_ns = INT64_MAX;
    return TAUTD_TCP_ANSWERED;
}

static enum tautd_tcp_news failed(struct tautd_tcp *t, int error)
{
    t->exchange.partial = t->size > 0;
    tautd_frame_failed(&t->exchange, error);
    return answered(t);
}

static enum tautd_tcp_news step_asked(struct tautd_tcp *t, bool ready)
{
    if (!ready)
        return tautd_clock_real_ns() < t->deadline_ns ? TAUTD_TCP_NOTHING : failed(t, ETIMEDOUT);
    ssize_t n = recv(t->fd, t->frame + t->size, sizeof t->frame - (size_t)t->size, 0);
    if (n < 0 && (errno == EAGAIN || errno == EINTR))
        return TAUTD_TCP_NOTHING;
    if (n <= 0)
        return failed(t, n == 0 ? ECONNRESET : errno);
    t->size += (int)n;
    int want = tautd_frame_tcp_size(t->frame, t->size);
    if ((want == 0 || t->size < want) && t->size < (int)sizeof t->frame)
        return TAUTD_TCP_NOTHING;
    /* more than the frame: a second answer nobody asked for. The first may be right, the connection is not */
    tautd_frame_tcp_judge(&t->ask, t->transaction, t->frame, want < t->size ? want : t->size, &t->exchange.answer);
    t->exchange.lost = t->size > want;
    return answered(t);
}

/* Something on a connection that waits for nothing: the end of it, or an answer nobody asked for. */
static enum tautd_tcp_news step_idle(struct tautd_tcp *t, bool ready)
{
    uint8_t byte;
    if (!ready || (recv(t->fd, &byte, 1, 0) < 0 && errno == EAGAIN))
        return TAUTD_TCP_NOTHING;
    return TAUTD_TCP_GONE;
}

void tautd_tcp_init(struct tautd_tcp *t, const struct tautd_line_config *line, int epoll, uint32_t tag)
{
    *t = (struct tautd_tcp){.line = line, .epoll = epoll, .tag = tag, .fd = -1, .look_ns = INT64_MAX};
}

void tautd_tcp_connect(struct tautd_tcp *t, double timeout_s)
{
    struct addrinfo numeric = any_stream;
    char port[8];
    int64_t now = tautd_clock_real_ns();
    numeric.ai_flags |= AI_NUMERICHOST;
    snprintf(port, sizeof port, "%d", t->line->port);
    t->deadline_ns = now + ns_of(timeout_s);
    t->look_ns = now; /* news comes by a step, always */
    t->state = TAUTD_TCP_LOOKUP;
    if (!t->lookup && getaddrinfo(t->line->host, port, &numeric, &t->address) == 0)
        return;
    t->address = NULL;
    if (!t->lookup)
        t->lookup = lookup_start(t->line->host, port);
}

enum tautd_tcp_news tautd_tcp_ask(struct tautd_tcp *t, const struct tautd_ask *ask, double timeout_s)
{
    uint8_t request[TAUTD_FRAME_TCP];
    t->ask = *ask;
    t->size = 0;
    t->exchange = (struct tautd_exchange){.sent_ns = tautd_clock_mono_ns(), .sent_real_ns = tautd_clock_real_ns()};
    tautd_frame_tcp_request(ask, ++t->transaction, request);
    ssize_t n = send(t->fd, request, sizeof request, MSG_NOSIGNAL);
    if (n != (ssize_t)sizeof request)
        return failed(t, n < 0 && errno != EAGAIN ? errno : ETIMEDOUT); /* full of requests nobody takes */
    t->state = TAUTD_TCP_ASKED;
    t->deadline_ns = t->look_ns = t->exchange.sent_real_ns + ns_of(timeout_s);
    return TAUTD_TCP_NOTHING;
}

enum tautd_tcp_news tautd_tcp_step(struct tautd_tcp *t, bool ready)
{
    switch (t->state) {
    case TAUTD_TCP_LOOKUP:
        if (t->lookup)
            return step_lookup(t);
        t->trying = t->address;
        return t->address ? try_addresses(t) : not_found(t, EAI_MEMORY);
    case TAUTD_TCP_CONNECTING:
        return step_connecting(t, ready);
    case TAUTD_TCP_IDLE:
        return step_idle(t, ready);
    case TAUTD_TCP_ASKED:
        return step_asked(t, ready);
    default:
        return TAUTD_TCP_NOTHING;
    }
}

void tautd_tcp_close(struct tautd_tcp *t)
{
    if (t->fd >= 0)
        close(t->fd); /* leaves the epoll set by itself */
    if (t->address)
        freeaddrinfo(t->address);
    t->address = t->trying = NULL;
    t->fd = -1;
    t->state = TAUTD_TCP_CLOSED;
    t->look_ns = INT64_MAX;
}

void tautd_tcp_destroy(struct tautd_tcp *t)
{
    tautd_tcp_close(t);
    forget_lookup(t);
}

/* Step until there is news; the deadlines of the connection bound it. */
static enum tautd_tcp_news wait_for_news(struct tautd_tcp *t)
{
    enum tautd_tcp_news news = TAUTD_TCP_NOTHING;
    while (news == TAUTD_TCP_NOTHING) {
        struct epoll_event e;
        int64_t left = t->look_ns - tautd_clock_real_ns();
        int n = left > 0 ? epoll_wait(t->epoll, &e, 1, (int)(left / 1000000) + 1) : 0;
        news = tautd_tcp_step(t, n > 0);
    }
    return news;
}

enum taut_status tautd_tcp_exchange(const struct tautd_line_config *line, const struct tautd_ask *ask, double timeout_s,
                                    struct tautd_exchange *exchange, struct taut_diag *diag)
{
    struct tautd_tcp t;
    enum taut_status status = TAUT_OK;
    tautd_tcp_init(&t, line, epoll_create1(EPOLL_CLOEXEC), 0);
    if (t.epoll < 0)
        return taut_diag_set(diag, TAUT_E_IO, "line %s: %s", line->name, strerror(errno));
    tautd_tcp_connect(&t, timeout_s);
    if (wait_for_news(&t) == TAUTD_TCP_CONNECTED) {
        if (tautd_tcp_ask(&t, ask, timeout_s) == TAUTD_TCP_NOTHING)
            (void)wait_for_news(&t);
        *exchange = t.exchange;
    } else {
        status = t.diag.status;
        if (diag)
            *diag = t.diag;
    }
    tautd_tcp_destroy(&t);
    close(t.epoll);
    return status;
}
