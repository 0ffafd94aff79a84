/* The least a C program can do for the daemon's job, to measure it against: N connections polled at 10 Hz by one
 * thread with its own framing, O(1) statistics, one CSV line and one write() per sample.
 *   daemon_reference PORT N SECONDS FILE [fifo]     prints samples and CPU */
#include <arpa/inet.h>
#include <fcntl.h>
#include <math.h>
#include <netinet/tcp.h>
#include <sched.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/resource.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

struct connection {
    int fd;
    uint16_t transaction;
    double n, mean, m2, ewma, high, low;
};

static void statistics(struct connection *c, double x)
{
    c->n += 1;
    double d = x - c->mean;
    c->mean += d / c->n;
    c->m2 += d * (x - c->mean);
    c->ewma += 0.1 * (x - c->ewma);
    c->high = fmax(0, c->high + x - c->mean - 0.5);
    c->low = fmax(0, c->low - x + c->mean - 0.5);
}

int main(int argc, char **argv)
{
    if (argc < 5)
        return 64;
    int port = atoi(argv[1]), n = atoi(argv[2]), seconds = atoi(argv[3]);
    int out = open(argv[4], O_WRONLY | O_CREAT | O_TRUNC | O_APPEND, 0600);
    struct sched_param fifo = {.sched_priority = 10};
    if (argc > 5 && sched_setscheduler(0, SCHED_FIFO, &fifo))
        perror("no real-time priority");
    struct connection *all = calloc((size_t)n, sizeof *all);
    int ep = epoll_create1(0), timer = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK), one = 1;
    if (out < 0 || !all || ep < 0 || timer < 0)
        return 1;
    for (int i = 0; i < n; i++) {
        struct sockaddr_in to = {
            .sin_family = AF_INET, .sin_port = htons((uint16_t)port), .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
        all[i].fd = socket(AF_INET, SOCK_STREAM, 0);
        if (all[i].fd < 0 || connect(all[i].fd, (struct sockaddr *)&to, sizeof to))
            return 1;
        setsockopt(all[i].fd, IPPROTO_TCP, TCP_NODELAY, &one, sizeof one);
        struct epoll_event e = {.events = EPOLLIN, .data.u32 = (uint32_t)i};
        epoll_ctl(ep, EPOLL_CTL_ADD, all[i].fd, &e);
    }
    struct epoll_event e = {.events = EPOLLIN, .data.u32 = (uint32_t)n};
    epoll_ctl(ep, EPOLL_CTL_ADD, timer, &e);
    struct itimerspec spec = {
        {0, 100000000},
        {0, 1000000  }
    };
    timerfd_settime(timer, 0, &spec, NULL);
    uint64_t samples = 0;
    for (int sweep = 0; sweep < seconds * 10 + 1;) {
        struct epoll_event got[64];
        int k = epoll_wait(ep, got, 64, 1000);
        for (int j = 0; j < k; j++) {
            int i = (int)got[j].data.u32;
            if (i == n) {
                uint64_t ticks;
                if (read(timer, &ticks, sizeof ticks) != (ssize_t)sizeof ticks || ++sweep > seconds * 10)
                    continue;
                for (int c = 0; c < n; c++) {
                    uint16_t t = ++all[c].transaction;
                    uint8_t ask[12] = {(uint8_t)(t >> 8), (uint8_t)t, 0, 0, 0, 6, (uint8_t)c, 4, 0, 0, 0, 1};
                    if (send(all[c].fd, ask, sizeof ask, 0) < 0)
                        return 1;
                }
                continue;
            }
            uint8_t answer[64];
            ssize_t size = recv(all[i].fd, answer, sizeof answer, 0);
            if (size < 11)
                continue;
            double value = (answer[9] << 8 | answer[10]) * 0.01;
            statistics(&all[i], value);
            struct timespec now;
            struct tm tm;
            char line[96], stamp[32];
            clock_gettime(CLOCK_REALTIME, &now);
            gmtime_r(&now.tv_sec, &tm);
            strftime(stamp, sizeof stamp, "%Y-%m-%dT%H:%M:%S", &tm);
            int used = snprintf(line, sizeof line, "%s.%03ldZ,%.3f,good\n", stamp, now.tv_nsec / 1000000, value);
            if (write(out, line, (size_t)used) != used)
                return 1;
            samples++;
        }
    }
    struct rusage usage;
    getrusage(RUSAGE_SELF, &usage);
    double cpu = (double)usage.ru_utime.tv_sec + (double)usage.ru_stime.tv_sec +
                 (double)(usage.ru_utime.tv_usec + usage.ru_stime.tv_usec) / 1e6;
    printf("samples %llu cpu_us_per_sample %.2f\n", (unsigned long long)samples, 1e6 * cpu / (double)samples);
    return 0;
}
