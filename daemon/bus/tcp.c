/* Modbus over TCP, one connection for each unit of a gateway.
 *
 * Failure policy: after any failure but an exception the connection is of no more use (a late answer would be read
 * as the next one) and is reported as lost; the worker closes it and connects again after a pause.
 *
 * The request is sent here and not by libmodbus for two reasons: its raw request always carries transaction 0, so
 * that a stale answer could not be told from a fresh one; and its read functions take an answer from another unit
 * for good. The answer is collected by libmodbus as raw bytes, and transaction, protocol, length, unit, function and
 * byte count are all compared with what was asked. */
#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "bus/link.h"
#include "clock.h"

/* A look-up can hang far longer than anybody wants to wait, and can not be ended. So it has a thread of its own; when it
 * takes too long it is left to itself and its outcome asked for again at the next attempt. (glibc's own
 * getaddrinfo_a would do the same, but its threads are unknown to the thread sanitizer.) */
struct lookup {
    pthread_mutex_t lock;
    pthread_cond_t ended;
    bool done, forgotten; /* guarded by lock, like what follows; who comes last frees */
    int error;
    struct addrinfo *found;
    char host[128], port[8]; /* set before the thread starts */
};

static const struct addrinfo any_stream = {.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICSERV};

static void lookup_free(struct lookup *l)
{
    if (l->found)
        freeaddrinfo(l->found);
    pthread_cond_destroy(&l->ended);
    pthread_mutex_destroy(&l->lock);
    free(l);
}

static void *lookup_run(void *argument)
{
    struct lookup *l = argument;
    struct addrinfo *found = NULL;
    int error = getaddrinfo(l->host, l->port, &any_stream, &found);
    pthread_mutex_lock(&l->lock);
    l->error = error;
    l->found = error == 0 ? found : NULL;
    l->done = true;
    bool forgotten = l->forgotten;
    pthread_cond_signal(&l->ended);
    pthread_mutex_unlock(&l->lock);
    if (forgotten)
        lookup_free(l);
    return NULL;
}

static struct lookup *lookup_start(const char *host, const char *port)
{
    struct lookup *l = calloc(1, sizeof *l);
    pthread_t thread;
    pthread_condattr_t attr;
    if (!l)
        return NULL;
    snprintf(l->host, sizeof l->host, "%s", host);
    snprintf(l->port, sizeof l->port, "%s", port);
    pthread_mutex_init(&l->lock, NULL);
    pthread_condattr_init(&attr);
    pthread_condattr_setclock(&attr, CLOCK_MONOTONIC);
    pthread_cond_init(&l->ended, &attr);
    pthread_condattr_destroy(&attr);
    if (pthread_create(&thread, NULL, lookup_run, l) != 0) {
        lookup_free(l);
        return NULL;
    }
    pthread_detach(thread);
    return l;
}

void tautd_link_forget_lookup(struct tautd_link *link)
{
    struct lookup *l = link->resolving;
    if (!l)
        return;
    link->resolving = NULL;
    pthread_mutex_lock(&l->lock);
    l->forgotten = true;
    bool done = l->done;
    pthread_mutex_unlock(&l->lock);
    if (done)
        lookup_free(l);
}

static int64_t left_ms(int64_t deadline_ns)
{
    int64_t left = deadline_ns - tautd_clock_real_ns();
    return left <= 0 ? 0 : left / 1000000 + 1;
}

/* @return 0 with *out (freeaddrinfo), or an EAI code */
static int resolve(struct tautd_link *link, int64_t deadline_ns, struct addrinfo **out)
{
    struct addrinfo numeric = any_stream;
    char port[8];
    numeric.ai_flags |= AI_NUMERICHOST;
    snprintf(port, sizeof port, "%d", link->line->port);
    if (getaddrinfo(link->line->host, port, &numeric, out) == 0)
        return 0;
    struct lookup *l = link->resolving ? link->resolving : lookup_start(link->line->host, port);
    if (!l)
        return EAI_MEMORY;
    link->resolving = l;
    pthread_mutex_lock(&l->lock);
    while (!l->done && left_ms(deadline_ns) > 0 && !*link->stop) {
        int64_t slice = tautd_clock_real_ns() + 50000000; /* short, to notice stop */
        struct timespec t = {.tv_sec = slice / 1000000000, .tv_nsec = slice % 1000000000};
        pthread_cond_timedwait(&l->ended, &l->lock, &t);
    }
    bool done = l->done;
    int error = done ? l->error : EAI_AGAIN;
    if (done) {
        *out = l->found;
        l->found = NULL;
    }
    pthread_mutex_unlock(&l->lock);
    if (done)
        tautd_link_forget_lookup(link);
    return error;
}

/* @return 0 or an errno */
static int connect_until(const struct tautd_link *link, int fd, const struct addrinfo *to, int64_t deadline_ns)
{
    if (connect(fd, to->ai_addr, to->ai_addrlen) == 0)
        return 0;
    if (errno != EINPROGRESS)
        return errno;
    struct pollfd p = {.fd = fd, .events = POLLOUT};
    while (!*link->stop) {
        int64_t left = left_ms(deadline_ns);
        int n = poll(&p, 1, left > 100 ? 100 : (int)left);
        if (n > 0) {
            int error = 0;
            socklen_t size = sizeof error;
            return getsockopt(fd, SOL_SOCKET, SO_ERROR, &error, &size) < 0 ? errno : error;
        }
        if (n < 0 && errno != EINTR)
            return errno;
        if (left == 0)
            return ETIMEDOUT;
    }
    return ECANCELED;
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

static enum taut_status open_connection(struct tautd_link *link, double timeout_s, struct taut_diag *diag)
{
    const struct tautd_line_config *line = link->line;
    int64_t deadline_ns = tautd_clock_real_ns() + tautd_link_ns(timeout_s);
    struct addrinfo *all = NULL;
    int error = resolve(link, deadline_ns, &all);
    if (error)
        return taut_diag_set(diag, TAUT_E_IO, "line %s: can not find host %s: %s", line->name, line->host, gai_strerror(error));
    int fd = -1;
    error = ECONNREFUSED;
    for (struct addrinfo *a = all; a; a = a->ai_next) {
        fd = socket(a->ai_family, a->ai_socktype | SOCK_CLOEXEC | SOCK_NONBLOCK, a->ai_protocol);
        error = fd < 0 ? errno : connect_until(link, fd, a, deadline_ns);
        if (error == 0)
            break;
        if (fd >= 0)
            close(fd);
        fd = -1;
    }
    freeaddrinfo(all);
    if (error)
        return taut_diag_set(diag, error == ETIMEDOUT ? TAUT_E_TIMEOUT : TAUT_E_IO, "line %s: can not connect to %s port %d: %s",
                             line->name, line->host, line->port, why_not(error));
    tune(fd, timeout_s);
    link->modbus = modbus_new_tcp("127.0.0.1", MODBUS_TCP_DEFAULT_PORT); /* for its framing; the socket is ours */
    if (!link->modbus) {
        close(fd);
        return taut_diag_set(diag, TAUT_E_MEMORY, "line %s: no memory", line->name);
    }
    modbus_set_socket(link->modbus, fd);
    return tautd_link_adopt(link, fd, diag);
}

static void ask_unit(struct tautd_link *link, const struct tautd_ask *ask, double timeout_s, bool settle,
                     struct tautd_exchange *x)
{
    uint8_t request[TAUTD_FRAME_TCP], adu[MODBUS_TCP_MAX_ADU_LENGTH + 4];
    (void)settle; /* a new connection can not bring a late answer */
    uint16_t transaction = ++link->transaction;
    tautd_frame_tcp_request(ask, transaction, request);
    adu[0] = (uint8_t)~request[0]; /* so that a part of an answer can be told from none */
    x->sent_ns = tautd_clock_mono_ns();
    x->sent_real_ns = tautd_clock_real_ns();
    int n = (int)send(link->fd, request, sizeof request, MSG_NOSIGNAL);
    if (n == (int)sizeof request)
        n = tautd_link_collect(link, timeout_s, adu);
    else if (n >= 0 || errno == EAGAIN) { /* a send buffer full of requests nobody takes */
        errno = ETIMEDOUT;
        n = -1;
    }
    int error = errno;
    x->got_real_ns = tautd_clock_real_ns();
    x->got_ns = tautd_clock_mono_ns();
    if (n >= 0) {
        tautd_frame_tcp_judge(ask, transaction, adu, n, &x->answer);
    } else {
        x->partial = adu[0] == request[0];
        tautd_link_failed(x, error);
    }
    x->lost = x->lost || x->answer.reason == TAUT_REASON_BAD_FRAME ||
              (x->answer.reason == TAUT_REASON_NO_ANSWER && x->answer.exception == 0);
}

const struct tautd_link_kind tautd_link_tcp = {open_connection, ask_unit};
