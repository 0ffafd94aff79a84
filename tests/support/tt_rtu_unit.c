#include "tt_rtu_unit.h"

#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define MUST(condition)                                                                                                          \
    do {                                                                                                                         \
        if (!(condition)) {                                                                                                      \
            perror(#condition);                                                                                                  \
            abort();                                                                                                             \
        }                                                                                                                        \
    } while (0)

struct fault {
    enum tt_fault kind;
    int argument, times;
};

struct frame {
    uint8_t byte[600];
    int size, sent;
    int64_t due_ns;
    int64_t step_ns; /* between bytes; 0 = all at once */
    int64_t wire_ns; /* what a good answer needed the line for; 0 for a spoilt one */
    int unit;
    bool active;
};

struct tt_rtu {
    struct tt_rtu_options options;
    char directory[64], path[80];
    int master, keeper, wake[2];
    pthread_t thread;
    pthread_mutex_t lock; /* guards what follows */
    bool stop, plugged;
    struct fault fault[256];
    struct tt_rtu_counts counts;
    /* of the thread alone */
    int64_t char_ns, gap_ns, turnaround_ns, busy_until_ns;
    struct frame answer, late;
};

static int64_t now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
}

int64_t tt_rtu_gap_ns(int baud, int bits)
{
    return baud > 19200 ? 1750000 : INT64_C(3500000000) * bits / baud;
}

uint16_t tt_crc16(const uint8_t *bytes, int n)
{
    unsigned crc = 0xFFFF;
    for (int i = 0; i < n; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1;
    }
    return (uint16_t)crc;
}

static int seal(uint8_t *frame, int n)
{
    uint16_t crc = tt_crc16(frame, n);
    frame[n] = (uint8_t)crc;
    frame[n + 1] = (uint8_t)(crc >> 8);
    return n + 2;
}

static void open_pty(struct tt_rtu *rtu)
{
    struct termios raw;
    rtu->master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    MUST(rtu->master >= 0 && grantpt(rtu->master) == 0 && unlockpt(rtu->master) == 0);
    const char *name = ptsname(rtu->master);
    rtu->keeper = open(name, O_RDWR | O_NOCTTY | O_CLOEXEC); /* keeps the line up between two openings */
    MUST(rtu->keeper >= 0 && tcgetattr(rtu->keeper, &raw) == 0);
    cfmakeraw(&raw);
    MUST(tcsetattr(rtu->keeper, TCSANOW, &raw) == 0);
    unlink(rtu->path);
    MUST(symlink(name, rtu->path) == 0);
    rtu->plugged = true;
}

static void start_frame(struct frame *f, const uint8_t *bytes, int n, int64_t due_ns, int64_t step_ns)
{
    memcpy(f->byte, bytes, (size_t)n);
    f->size = n;
    f->sent = 0;
    f->due_ns = due_ns;
    f->step_ns = step_ns;
    f->wire_ns = 0;
    f->active = n > 0;
}

/* Build what a unit with this fault sends.  @return bytes */
static int spoil(const struct fault *fault, const uint8_t *request, uint8_t *frame, int n)
{
    uint8_t copy[300];
    switch (fault->kind) {
    case TT_FAULT_EXCEPTION:
        frame[1] = request[1] | 0x80;
        frame[2] = (uint8_t)fault->argument;
        return seal(frame, 3);
    case TT_FAULT_SHORT:
        return n / 2;
    case TT_FAULT_WRONG_UNIT:
        frame[0]++;
        return seal(frame, n - 2);
    case TT_FAULT_WRONG_FUNCTION:
        frame[1] = request[1] == 3 ? 4 : 3;
        return seal(frame, n - 2);
    case TT_FAULT_WRONG_COUNT:
        frame[2] = (uint8_t)(frame[2] + 2);
        return seal(frame, n);
    case TT_FAULT_TWICE:
        memcpy(frame + n, frame, (size_t)n);
        return 2 * n;
    case TT_FAULT_CRC:
        frame[n - 1] ^= 1;
        return n;
    case TT_FAULT_NOISE_BEFORE:
        memcpy(copy, frame, (size_t)n);
        frame[0] = 0x00;
        frame[1] = 0xFF;
        memcpy(frame + 2, copy, (size_t)n);
        return n + 2;
    case TT_FAULT_NOISE_AFTER:
        frame[n] = 0;
        return n + 1;
    case TT_FAULT_ECHO:
        memcpy(copy, frame, (size_t)n);
        memcpy(frame, request, 8);
        memcpy(frame + 8, copy, (size_t)n);
        return n + 8;
    default:
        return n;
    }
}

static void reply(struct tt_rtu *rtu, const uint8_t *request, int64_t begin_ns)
{
    uint8_t frame[600];
    int unit = request[0];
    struct fault fault = rtu->fault[unit];
    if (fault.kind != TT_FAULT_NONE && fault.times > 0 && --rtu->fault[unit].times == 0)
        rtu->fault[unit].kind = TT_FAULT_NONE;
    if (fault.kind == TT_FAULT_SILENT || unit < rtu->options.first_unit || unit > rtu->options.last_unit)
        return;
    frame[0] = request[0];
    int most = rtu->options.registers > 0 ? rtu->options.registers : 65536;
    int n = seal(frame, 1 + tt_answer((unsigned)unit, request + 1, (unsigned)most, frame + 1));
    int64_t clean_ns = (8 + n) * rtu->char_ns + rtu->turnaround_ns;
    n = spoil(&fault, request, frame, n);
    int64_t end_ns = begin_ns + (8 + n) * rtu->char_ns + rtu->turnaround_ns;
    if (fault.kind == TT_FAULT_LATE) {
        start_frame(&rtu->late, frame, n, begin_ns + fault.argument * INT64_C(1000000), 0);
        return;
    }
    rtu->busy_until_ns = end_ns;
    start_frame(&rtu->answer, frame, n, end_ns, fault.kind == TT_FAULT_DRIP ? 300000000 : 0);
    if (fault.kind == TT_FAULT_NONE || fault.kind == TT_FAULT_NOISE_AFTER) {
        rtu->answer.wire_ns = clean_ns + rtu->gap_ns;
        rtu->answer.unit = unit;
    }
}

static void hear(struct tt_rtu *rtu, const uint8_t *bytes, int n, int64_t at_ns)
{
    rtu->counts.requests++;
    bool too_soon = at_ns < rtu->busy_until_ns + rtu->gap_ns;
    int64_t end_ns = at_ns + n * rtu->char_ns;
    if (end_ns > rtu->busy_until_ns)
        rtu->busy_until_ns = end_ns;
    if (too_soon) {
        rtu->counts.violations++;
        return;
    }
    if (n != 8 || tt_crc16(bytes, 6) != (bytes[6] | bytes[7] << 8))
        return;
    memcpy(rtu->counts.last_request, bytes, 8);
    if (bytes[1] == 5) {
        rtu->counts.writes++;
        rtu->counts.coil_address = (uint16_t)tt_get16(bytes + 2);
        rtu->counts.coil_value = (uint16_t)tt_get16(bytes + 4);
    } else if (bytes[1] != 3 && bytes[1] != 4) {
        rtu->counts.others++;
    }
    reply(rtu, bytes, at_ns);
}

static void send_due(struct tt_rtu *rtu, struct frame *f)
{
    int64_t now = now_ns();
    while (f->active && f->due_ns <= now) {
        int n = f->step_ns ? 1 : f->size - f->sent;
        rtu->busy_until_ns = now_ns(); /* before it is written: nobody can have seen it earlier */
        ssize_t ignored = write(rtu->master, f->byte + f->sent, (size_t)n);
        (void)ignored;
        f->sent += n;
        f->due_ns += f->step_ns;
        f->active = f->sent < f->size;
    }
    if (!f->active && f->wire_ns > 0) {
        rtu->counts.answered++;
        rtu->counts.answered_by[f->unit]++;
        rtu->counts.wire_ns += f->wire_ns;
        rtu->counts.last_answer_ns = rtu->busy_until_ns;
        f->wire_ns = 0;
    }
}

static int64_t next_due(const struct tt_rtu *rtu)
{
    int64_t due = INT64_MAX;
    if (rtu->answer.active)
        due = rtu->answer.due_ns;
    if (rtu->late.active && rtu->late.due_ns < due)
        due = rtu->late.due_ns;
    return due;
}

static void *run(void *argument)
{
    struct tt_rtu *rtu = argument;
    struct sched_param high = {.sched_priority = 50};
    prctl(PR_SET_TIMERSLACK, 1UL, 0UL, 0UL, 0UL);
    (void)!pthread_setschedparam(pthread_self(), SCHED_FIFO, &high); /* a device does not wait for our other work */
    pthread_mutex_lock(&rtu->lock);
    while (!rtu->stop) {
        struct pollfd p[2] = {
            {.fd = rtu->plugged ? rtu->master : -1, .events = POLLIN},
            {.fd = rtu->wake[0],                    .events = POLLIN}
        };
        int64_t due = next_due(rtu), left = due - now_ns();
        struct timespec t = {0, 0};
        if (left > 0 && due != INT64_MAX)
            t = (struct timespec){.tv_sec = left / 1000000000, .tv_nsec = left % 1000000000};
        pthread_mutex_unlock(&rtu->lock);
        int n = ppoll(p, 2, due == INT64_MAX ? NULL : &t, NULL);
        int64_t at_ns = now_ns();
        pthread_mutex_lock(&rtu->lock);
        uint8_t bytes[300];
        if (n > 0 && p[1].revents) {
            ssize_t ignored = read(rtu->wake[0], bytes, sizeof bytes);
            (void)ignored;
        } else if (n > 0 && rtu->plugged) {
            ssize_t got = read(rtu->master, bytes, sizeof bytes);
            if (got > 0)
                hear(rtu, bytes, (int)got, at_ns);
        }
        if (rtu->plugged) {
            send_due(rtu, &rtu->answer);
            send_due(rtu, &rtu->late);
        }
    }
    pthread_mutex_unlock(&rtu->lock);
    return NULL;
}

struct tt_rtu *tt_rtu_start(const struct tt_rtu_options *options)
{
    struct tt_rtu *rtu = calloc(1, sizeof *rtu);
    MUST(rtu);
    rtu->options = *options;
    rtu->char_ns = INT64_C(1000000000) * options->bits / options->baud;
    rtu->gap_ns = tt_rtu_gap_ns(options->baud, options->bits);
    rtu->turnaround_ns = (int64_t)(options->turnaround_s * 1e9);
    if (rtu->turnaround_ns < rtu->gap_ns)
        rtu->turnaround_ns = rtu->gap_ns;
    snprintf(rtu->directory, sizeof rtu->directory, "/tmp/tt-rtu-XXXXXX");
    MUST(mkdtemp(rtu->directory));
    snprintf(rtu->path, sizeof rtu->path, "%s/line", rtu->directory);
    open_pty(rtu);
    MUST(pipe2(rtu->wake, O_CLOEXEC) == 0);
    pthread_mutex_init(&rtu->lock, NULL);
    MUST(pthread_create(&rtu->thread, NULL, run, rtu) == 0);
    return rtu;
}

const char *tt_rtu_path(const struct tt_rtu *rtu)
{
    return rtu->path;
}

static void nudge(struct tt_rtu *rtu)
{
    MUST(write(rtu->wake[1], "", 1) == 1);
}

void tt_rtu_fault(struct tt_rtu *rtu, int unit, enum tt_fault fault, int argument, int times)
{
    pthread_mutex_lock(&rtu->lock);
    for (int i = 0; i < 256; i++)
        if (unit == 0 || unit == i)
            rtu->fault[i] = (struct fault){fault, argument, times};
    pthread_mutex_unlock(&rtu->lock);
}

void tt_rtu_counts(struct tt_rtu *rtu, struct tt_rtu_counts *out)
{
    pthread_mutex_lock(&rtu->lock);
    *out = rtu->counts;
    pthread_mutex_unlock(&rtu->lock);
}

void tt_rtu_unplug(struct tt_rtu *rtu)
{
    pthread_mutex_lock(&rtu->lock);
    rtu->plugged = false;
    rtu->answer.active = rtu->late.active = false;
    close(rtu->master);
    close(rtu->keeper);
    unlink(rtu->path);
    pthread_mutex_unlock(&rtu->lock);
    nudge(rtu);
}

void tt_rtu_plug(struct tt_rtu *rtu)
{
    pthread_mutex_lock(&rtu->lock);
    open_pty(rtu);
    pthread_mutex_unlock(&rtu->lock);
    nudge(rtu);
}

void tt_rtu_stop(struct tt_rtu *rtu)
{
    pthread_mutex_lock(&rtu->lock);
    rtu->stop = true;
    pthread_mutex_unlock(&rtu->lock);
    nudge(rtu);
    pthread_join(rtu->thread, NULL);
    if (rtu->plugged) {
        close(rtu->master);
        close(rtu->keeper);
        unlink(rtu->path);
    }
    rmdir(rtu->directory);
    close(rtu->wake[0]);
    close(rtu->wake[1]);
    pthread_mutex_destroy(&rtu->lock);
    free(rtu);
}
