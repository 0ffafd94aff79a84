#include "reference.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <pthread.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/epoll.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/timerfd.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "tt_rtu_unit.h"

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

static void sleep_until(int64_t ns)
{
    struct timespec t = {.tv_sec = ns / 1000000000, .tv_nsec = ns % 1000000000};
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL);
}

struct reference_rtu {
    int fd, units, registers;
    int64_t gap_ns;
    pthread_t thread;
    atomic_bool stop;
};

static void *run_rtu(void *argument)
{
    struct reference_rtu *r = argument;
    int want = 5 + 2 * r->registers;
    int64_t quiet = now_ns();
    prctl(PR_SET_TIMERSLACK, 1000UL, 0UL, 0UL, 0UL);
    for (int unit = 1; !r->stop; unit = unit % r->units + 1) {
        uint8_t ask[8] = {(uint8_t)unit, 4, 0, 0, 0, (uint8_t)r->registers}, answer[300];
        uint16_t crc = tt_crc16(ask, 6);
        ask[6] = (uint8_t)crc;
        ask[7] = (uint8_t)(crc >> 8);
        sleep_until(quiet + r->gap_ns);
        if (write(r->fd, ask, sizeof ask) != sizeof ask)
            return NULL;
        for (int got = 0; got < want;) {
            struct pollfd p = {.fd = r->fd, .events = POLLIN};
            if (poll(&p, 1, 500) <= 0)
                break;
            ssize_t n = read(r->fd, answer + got, sizeof answer - (size_t)got);
            if (n <= 0)
                return NULL;
            got += (int)n;
        }
        quiet = now_ns();
    }
    return NULL;
}

struct reference_rtu *reference_rtu_start(const char *device, int baud, int bits, int units, int registers)
{
    struct reference_rtu *r = calloc(1, sizeof *r);
    struct termios raw;
    if (!r)
        abort();
    r->fd = open(device, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (r->fd < 0 || tcgetattr(r->fd, &raw) != 0)
        abort();
    cfmakeraw(&raw);
    tcsetattr(r->fd, TCSANOW, &raw);
    r->units = units;
    r->registers = registers;
    r->gap_ns = tt_rtu_gap_ns(baud, bits);
    if (pthread_create(&r->thread, NULL, run_rtu, r) != 0)
        abort();
    return r;
}

void reference_rtu_stop(struct reference_rtu *r)
{
    r->stop = true;
    pthread_join(r->thread, NULL);
    close(r->fd);
    free(r);
}

struct reference_tcp {
    int port, n;
    double period_s;
    bool real_time;
    pthread_t thread;
    atomic_bool stop;
    _Atomic uint64_t answers;
};

static int connect_to(int port)
{
    struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0), one = 1;
    if (fd < 0 || connect(fd, (struct sockaddr *)&to, sizeof to) != 0)
        abort();
    setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
    return fd;
}

static void ask(int fd, int unit, uint16_t transaction)
{
    uint8_t request[12] = {(uint8_t)(transaction >> 8), (uint8_t)transaction, 0, 0, 0, 6, (uint8_t)unit, 4, 0, 0, 0, 2};
    if (send(fd, request, sizeof request, MSG_NOSIGNAL) != sizeof request)
        abort();
}

static void *run_tcp(void *argument)
{
    struct reference_tcp *r = argument;
    struct sched_param fifo = {.sched_priority = 10};
    uint16_t transaction[1024] = {0};
    int fd[1024], ep = epoll_create1(EPOLL_CLOEXEC), timer = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
    if (r->real_time)
        pthread_setschedparam(pthread_self(), SCHED_FIFO, &fifo);
    for (int i = 0; i < r->n; i++) {
        struct epoll_event e = {.events = EPOLLIN, .data.u32 = (uint32_t)i};
        fd[i] = connect_to(r->port);
        epoll_ctl(ep, EPOLL_CTL_ADD, fd[i], &e);
    }
    struct epoll_event e = {.events = EPOLLIN, .data.u32 = (uint32_t)r->n};
    epoll_ctl(ep, EPOLL_CTL_ADD, timer, &e);
    long ns = (long)(r->period_s * 1e9);
    struct itimerspec spec = {
        {ns / 1000000000, ns % 1000000000},
        {0,               1000000        }
    };
    if (r->period_s > 0)
        timerfd_settime(timer, 0, &spec, NULL);
    for (int i = 0; i < r->n && r->period_s <= 0; i++)
        ask(fd[i], i, ++transaction[i]);
    while (!r->stop) {
        struct epoll_event got[64];
        int k = epoll_wait(ep, got, 64, 200);
        for (int j = 0; j < k; j++) {
            int i = (int)got[j].data.u32;
            uint64_t ticks;
            uint8_t answer[300];
            if (i == r->n) {
                if (read(timer, &ticks, sizeof ticks) == (ssize_t)sizeof ticks)
                    for (int c = 0; c < r->n; c++)
                        ask(fd[c], c, ++transaction[c]);
            } else if (recv(fd[i], answer, sizeof answer, 0) == 13) {
                r->answers++;
                if (r->period_s <= 0)
                    ask(fd[i], i, ++transaction[i]);
            }
        }
    }
    for (int i = 0; i < r->n; i++)
        close(fd[i]);
    close(timer);
    close(ep);
    return NULL;
}

struct reference_tcp *reference_tcp_start(int port, int connections, double period_s, bool real_time)
{
    struct reference_tcp *r = calloc(1, sizeof *r);
    if (!r || connections > 1024)
        abort();
    r->port = port;
    r->n = connections;
    r->period_s = period_s;
    r->real_time = real_time;
    if (pthread_create(&r->thread, NULL, run_tcp, r) != 0)
        abort();
    return r;
}

uint64_t reference_tcp_answers(const struct reference_tcp *r)
{
    return r->answers;
}

void reference_tcp_stop(struct reference_tcp *r)
{
    r->stop = true;
    pthread_join(r->thread, NULL);
    free(r);
}
