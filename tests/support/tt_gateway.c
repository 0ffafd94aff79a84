#include "tt_gateway.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <pthread.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/eventfd.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define MUST(condition)                                                                                                          \
    do {                                                                                                                         \
        if (!(condition)) {                                                                                                      \
            perror(#condition);                                                                                                  \
            abort();                                                                                                             \
        }                                                                                                                        \
    } while (0)

enum { CONNECTIONS = 1024, LISTENER = CONNECTIONS, WAKER };

struct fault {
    enum tt_fault kind;
    int argument, times;
};

struct connection {
    int fd; /* -1 free */
    int number;
    uint8_t out[1200];
    int size, sent;
    int64_t due_ns; /* INT64_MAX: nothing to send */
    int64_t step_ns;
    bool hang_up, reset, vanish; /* when due */
};

struct tt_gateway {
    struct tt_gateway_options options;
    int port, listener, epoll, wake;
    pthread_t thread;
    pthread_mutex_t lock; /* guards all below */
    bool stop, listening, want;
    struct fault fault[256];
    struct tt_gateway_counts counts;
    struct connection connection[CONNECTIONS];
    int used; /* highest slot in use + 1 */
    struct tt_arrival *log;
    int logged;
};

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static void watch(struct tt_gateway *g, int fd, uint32_t tag)
{
    struct epoll_event e = {.events = EPOLLIN, .data.u32 = tag};
    MUST(epoll_ctl(g->epoll, EPOLL_CTL_ADD, fd, &e) == 0);
}

static void start_listening(struct tt_gateway *g)
{
    struct sockaddr_in a = {
        .sin_family = AF_INET, .sin_port = htons((uint16_t)g->port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int one = 1;
    socklen_t size = sizeof a;
    g->listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    MUST(g->listener >= 0);
    MUST(setsockopt(g->listener, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one) == 0);
    MUST(bind(g->listener, (struct sockaddr *)&a, sizeof a) == 0 && listen(g->listener, 512) == 0);
    MUST(getsockname(g->listener, (struct sockaddr *)&a, &size) == 0);
    g->port = ntohs(a.sin_port);
    watch(g, g->listener, LISTENER);
    g->listening = g->want = true;
}

static void drop(struct tt_gateway *g, struct connection *c)
{
    if (c->reset) {
        struct linger now = {.l_onoff = 1};
        setsockopt(c->fd, SOL_SOCKET, SO_LINGER, &now, sizeof now);
    }
    close(c->fd);
    c->fd = -1;
    c->due_ns = INT64_MAX;
    g->counts.open--;
}

static void stop_listening(struct tt_gateway *g)
{
    close(g->listener);
    g->listening = false;
    for (int i = 0; i < g->used; i++)
        if (g->connection[i].fd >= 0) {
            g->connection[i].reset = true;
            drop(g, &g->connection[i]);
        }
}

static void accept_all(struct tt_gateway *g)
{
    for (;;) {
        int fd = accept4(g->listener, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK), one = 1, i = 0;
        if (fd < 0)
            return;
        setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
        while (i < CONNECTIONS && g->connection[i].fd >= 0)
            i++;
        MUST(i < CONNECTIONS);
        g->connection[i] = (struct connection){.fd = fd, .number = (int)g->counts.connections++, .due_ns = INT64_MAX};
        g->used = i + 1 > g->used ? i + 1 : g->used;
        g->counts.open++;
        watch(g, fd, (uint32_t)i);
    }
}

static void set_length(struct connection *c, int n)
{
    c->out[4] = (uint8_t)((n - 6) >> 8);
    c->out[5] = (uint8_t)(n - 6);
    c->size = n;
}

static void spoil(struct connection *c, const struct fault *fault, const uint8_t *request)
{
    int n = c->size;
    switch (fault->kind) {
    case TT_FAULT_SILENT:
        c->due_ns = INT64_MAX;
        break;
    case TT_FAULT_EXCEPTION:
        c->out[7] = request[7] | 0x80;
        c->out[8] = (uint8_t)fault->argument;
        set_length(c, 9);
        break;
    case TT_FAULT_LATE:
        c->due_ns = now_ns() + fault->argument * INT64_C(1000000);
        break;
    case TT_FAULT_SHORT:
        c->size = n / 2;
        break;
    case TT_FAULT_WRONG_UNIT:
        c->out[6]++;
        break;
    case TT_FAULT_WRONG_FUNCTION:
        c->out[7] = request[7] == 3 ? 4 : 3;
        break;
    case TT_FAULT_WRONG_COUNT:
        c->out[8] = (uint8_t)(c->out[8] + 2);
        set_length(c, n + 2);
        break;
    case TT_FAULT_TWICE:
        memcpy(c->out + n, c->out, (size_t)n);
        c->size = 2 * n;
        break;
    case TT_FAULT_DRIP:
        c->step_ns = 300000000;
        break;
    case TT_FAULT_WRONG_TRANSACTION:
        c->out[1]++;
        break;
    case TT_FAULT_WRONG_PROTOCOL:
        c->out[3] = 1;
        break;
    case TT_FAULT_WRONG_LENGTH:
        c->out[5]++;
        break;
    case TT_FAULT_RESET:
        c->reset = c->hang_up = true;
        break;
    case TT_FAULT_CLOSE:
        c->hang_up = true;
        break;
    case TT_FAULT_VANISH:
        c->vanish = c->hang_up = true;
        break;
    default:
        break;
    }
}

static void hear(struct tt_gateway *g, struct connection *c, const uint8_t *request, int64_t at_ns)
{
    int unit = request[6];
    g->counts.requests++;
    memcpy(g->counts.last_request, request, 12);
    if (g->logged < g->options.log)
        g->log[g->logged++] = (struct tt_arrival){c->number, at_ns};
    if (request[7] == 5) {
        g->counts.writes++;
        g->counts.coil_address = (uint16_t)tt_get16(request + 8);
        g->counts.coil_value = (uint16_t)tt_get16(request + 10);
    } else if (request[7] != 3 && request[7] != 4) {
        g->counts.others++;
    }
    memcpy(c->out, request, 7);
    unsigned most = g->options.registers > 0 ? (unsigned)g->options.registers : 65536;
    set_length(c, 7 + tt_answer((unsigned)unit, request + 7, most, c->out + 7));
    c->sent = 0;
    c->step_ns = 0;
    c->due_ns = at_ns + (int64_t)(g->options.latency_s * 1e9);
    struct fault *fault = &g->fault[unit];
    if (fault->kind == TT_FAULT_NONE) {
        g->counts.answered++;
        g->counts.answered_by[unit]++;
        return;
    }
    spoil(c, fault, request);
    if (fault->times > 0 && --fault->times == 0)
        fault->kind = TT_FAULT_NONE;
}

static void receive(struct tt_gateway *g, struct connection *c, int64_t at_ns)
{
    uint8_t bytes[600];
    ssize_t n = recv(c->fd, bytes, sizeof bytes, 0);
    if (n == 0 || (n < 0 && errno != EAGAIN)) {
        drop(g, c);
        return;
    }
    for (ssize_t at = 0; at + 12 <= n; at += 12)
        hear(g, c, bytes + at, at_ns);
}

static void send_due(struct tt_gateway *g, struct connection *c, int64_t now)
{
    if (c->hang_up) {
        int on = 1;
        if (c->vanish && setsockopt(c->fd, IPPROTO_TCP, TCP_REPAIR, &on, sizeof on) != 0) {
            c->due_ns = INT64_MAX; /* not root: just be silent */
            c->hang_up = false;
            return;
        }
        drop(g, c);
        return;
    }
    while (c->due_ns <= now) {
        int n = c->step_ns ? 1 : c->size - c->sent;
        if (send(c->fd, c->out + c->sent, (size_t)n, MSG_NOSIGNAL) != n) {
            drop(g, c);
            return;
        }
        c->sent += n;
        c->due_ns = c->sent < c->size ? c->due_ns + c->step_ns : INT64_MAX;
    }
}

static int64_t next_due(const struct tt_gateway *g)
{
    int64_t due = INT64_MAX;
    for (int i = 0; i < g->used; i++)
        if (g->connection[i].fd >= 0 && g->connection[i].due_ns < due)
            due = g->connection[i].due_ns;
    return due;
}

static void *run(void *argument)
{
    struct tt_gateway *g = argument;
    struct epoll_event event[64];
    struct sched_param high = {.sched_priority = 50};
    prctl(PR_SET_TIMERSLACK, 1UL, 0UL, 0UL, 0UL);
    (void)!pthread_setschedparam(pthread_self(), SCHED_FIFO, &high); /* a device does not wait for our other work */
    pthread_mutex_lock(&g->lock);
    while (!g->stop) {
        int64_t due = next_due(g), left = due - now_ns();
        struct timespec t = {0, 0};
        if (left > 0 && due != INT64_MAX)
            t = (struct timespec){.tv_sec = left / 1000000000, .tv_nsec = left % 1000000000};
        pthread_mutex_unlock(&g->lock);
        int n = epoll_pwait2(g->epoll, event, 64, due == INT64_MAX ? NULL : &t, NULL);
        int64_t now = now_ns();
        pthread_mutex_lock(&g->lock);
        for (int i = 0; i < n; i++) {
            uint32_t tag = event[i].data.u32;
            uint64_t count;
            if (tag == WAKER) {
                ssize_t ignored = read(g->wake, &count, sizeof count);
                (void)ignored;
            } else if (tag == LISTENER && g->listening) {
                accept_all(g);
            } else if (tag < CONNECTIONS && g->connection[tag].fd >= 0) {
                receive(g, &g->connection[tag], now);
            }
        }
        if (g->want != g->listening) {
            if (g->want)
                start_listening(g);
            else
                stop_listening(g);
        }
        now = now_ns();
        for (int i = 0; i < g->used; i++)
            if (g->connection[i].fd >= 0 && g->connection[i].due_ns <= now)
                send_due(g, &g->connection[i], now);
    }
    pthread_mutex_unlock(&g->lock);
    return NULL;
}

struct tt_gateway *tt_gateway_start(const struct tt_gateway_options *options)
{
    struct tt_gateway *g = calloc(1, sizeof *g);
    MUST(g);
    g->options = *options;
    g->port = options->port;
    for (int i = 0; i < CONNECTIONS; i++)
        g->connection[i].fd = -1;
    if (options->log > 0) {
        g->log = calloc((size_t)options->log, sizeof *g->log);
        MUST(g->log);
    }
    g->epoll = epoll_create1(EPOLL_CLOEXEC);
    g->wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    MUST(g->epoll >= 0 && g->wake >= 0);
    watch(g, g->wake, WAKER);
    start_listening(g);
    pthread_mutex_init(&g->lock, NULL);
    MUST(pthread_create(&g->thread, NULL, run, g) == 0);
    return g;
}

int tt_gateway_port(const struct tt_gateway *gateway)
{
    return gateway->port;
}

static void nudge(struct tt_gateway *g)
{
    uint64_t one = 1;
    MUST(write(g->wake, &one, sizeof one) == sizeof one);
}

void tt_gateway_fault(struct tt_gateway *g, int unit, enum tt_fault fault, int argument, int times)
{
    pthread_mutex_lock(&g->lock);
    for (int i = 0; i < 256; i++)
        if (unit == 0 || unit == i)
            g->fault[i] = (struct fault){fault, argument, times};
    pthread_mutex_unlock(&g->lock);
}

void tt_gateway_counts(struct tt_gateway *g, struct tt_gateway_counts *out)
{
    pthread_mutex_lock(&g->lock);
    *out = g->counts;
    pthread_mutex_unlock(&g->lock);
}

void tt_gateway_listen(struct tt_gateway *g, bool on)
{
    pthread_mutex_lock(&g->lock);
    g->want = on;
    pthread_mutex_unlock(&g->lock);
    nudge(g);
    for (bool done = false; !done;) {
        struct timespec t = {.tv_nsec = 1000000};
        nanosleep(&t, NULL);
        pthread_mutex_lock(&g->lock);
        done = g->listening == on;
        pthread_mutex_unlock(&g->lock);
    }
}

int tt_gateway_log(struct tt_gateway *g, const struct tt_arrival **log)
{
    pthread_mutex_lock(&g->lock);
    int n = g->logged;
    pthread_mutex_unlock(&g->lock);
    *log = g->log;
    return n;
}

void tt_gateway_stop(struct tt_gateway *g)
{
    pthread_mutex_lock(&g->lock);
    g->stop = true;
    pthread_mutex_unlock(&g->lock);
    nudge(g);
    pthread_join(g->thread, NULL);
    if (g->listening)
        stop_listening(g);
    close(g->epoll);
    close(g->wake);
    pthread_mutex_destroy(&g->lock);
    free(g->log);
    free(g);
}
