/* Modbus over a serial line.
 *
 * Failure policy: a time-out or a damaged answer leaves the port open; the next request waits line->settle_s so that
 * a late answer passes by unread. A port that is gone (EIO, ENODEV) is reported as lost at once.
 *
 * Silence: libmodbus keeps none between frames, and a unit that obeys the standard ignores a request that follows
 * the last byte sooner than 3.5 characters (1.75 ms above 19200 baud; Modbus over Serial Line V1.02). It is kept
 * here, from the last byte seen in either direction.
 *
 * A two-wire adapter that echoes what is sent makes every answer unreadable: switch its echo off (most do this by
 * hardware). Direction control is left to the adapter or the kernel; libmodbus' own RTS switching comes too late
 * for fast units. */
#include <errno.h>
#include <fcntl.h>
#include <linux/serial.h>
#include <math.h>
#include <poll.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/select.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "bus/rtu.h"
#include "clock.h"

static const int known_baud[] = {1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000, 921600, 1000000};

static bool baud_known(int baud)
{
    for (size_t i = 0; i < sizeof known_baud / sizeof *known_baud; i++)
        if (known_baud[i] == baud)
            return true;
    return false;
}

static int64_t ns_of(double s)
{
    return llround(s * 1e9);
}

static const char *why_not(int error)
{
    switch (error) {
    case ENOENT:
    case ENODEV:
    case ENXIO:
        return "no such device; is the adapter plugged in? (ls -l /dev/serial/by-id)";
    case EACCES:
        return "permission denied; the user needs the group dialout";
    case EBUSY:
    case EWOULDBLOCK:
        return "another program has it open; two masters on one line disturb each other";
    default:
        return strerror(error);
    }
}

static int stop_bits(const struct tautd_line_config *line)
{
    if (line->stop_bits > 0)
        return line->stop_bits;
    return line->parity == TAUTD_PARITY_NONE ? 2 : 1; /* the standard keeps a character at 11 bits */
}

static void set_timing(struct tautd_rtu *rtu)
{
    const struct tautd_line_config *line = rtu->line;
    int bits = 1 + (line->data_bits > 0 ? line->data_bits : 8) + (line->parity != TAUTD_PARITY_NONE) + stop_bits(line);
    rtu->char_ns = INT64_C(1000000000) * bits / line->baud;
    if (line->gap_s > 0)
        rtu->gap_ns = ns_of(line->gap_s);
    else
        rtu->gap_ns = line->baud > 19200 ? 1750000 : (INT64_C(3500000000) * bits + line->baud - 1) / line->baud;
}

/* Some USB adapters hold bytes back up to 16 ms unless asked not to. Not every driver can; that is no error. */
static void ask_low_latency(int fd)
{
    struct serial_struct serial;
    if (ioctl(fd, TIOCGSERIAL, &serial) == 0) {
        serial.flags |= (int)ASYNC_LOW_LATENCY;
        (void)!ioctl(fd, TIOCSSERIAL, &serial);
    }
}

static enum taut_status open_port(struct tautd_rtu *rtu, struct taut_diag *diag)
{
    const struct tautd_line_config *line = rtu->line;
    static const char letter[] = {[TAUTD_PARITY_NONE] = 'N', [TAUTD_PARITY_EVEN] = 'E', [TAUTD_PARITY_ODD] = 'O'};
    if (!baud_known(line->baud)) /* libmodbus would quietly take 9600 */
        return taut_diag_set(diag, TAUT_E_RANGE, "line %s: %d baud is not a rate this system can set", line->name, line->baud);
    rtu->modbus = modbus_new_rtu(line->device, line->baud, letter[line->parity], line->data_bits > 0 ? line->data_bits : 8,
                                 stop_bits(line));
    if (!rtu->modbus || modbus_connect(rtu->modbus) < 0)
        return taut_diag_set(diag, TAUT_E_IO, "line %s: can not open %s: %s", line->name, line->device, why_not(errno));
    int fd = modbus_get_socket(rtu->modbus);
    if (flock(fd, LOCK_EX | LOCK_NB) < 0)
        return taut_diag_set(diag, TAUT_E_IO, "line %s: can not open %s: %s", line->name, line->device, why_not(errno));
    if (fd >= FD_SETSIZE) /* libmodbus would end the process */
        return taut_diag_set(diag, TAUT_E_IO,
                             "line %s: descriptor %d is beyond the %d that libmodbus can wait for; "
                             "too many files or connections are open in this process",
                             line->name, fd, FD_SETSIZE);
    fcntl(fd, F_SETFD, FD_CLOEXEC);
    ask_low_latency(fd);
    modbus_set_error_recovery(rtu->modbus, MODBUS_ERROR_RECOVERY_NONE);
    modbus_set_byte_timeout(rtu->modbus, 0, 0);
    set_timing(rtu);
    tcflush(fd, TCIOFLUSH);
    rtu->fd = fd;
    rtu->quiet_from_ns = tautd_clock_real_ns(); /* whatever was on the line before, keep the silence once */
    rtu->settle_until_ns = 0;
    return TAUT_OK;
}

void tautd_rtu_init(struct tautd_rtu *rtu, const struct tautd_line_config *line, const atomic_bool *stop)
{
    *rtu = (struct tautd_rtu){.line = line, .stop = stop, .fd = -1};
}

enum taut_status tautd_rtu_open(struct tautd_rtu *rtu, struct taut_diag *diag)
{
    enum taut_status status = open_port(rtu, diag);
    if (status != TAUT_OK)
        tautd_rtu_close(rtu);
    return status;
}

void tautd_rtu_close(struct tautd_rtu *rtu)
{
    rtu->fd = -1;
    if (!rtu->modbus)
        return;
    modbus_close(rtu->modbus); /* closes the descriptor too */
    modbus_free(rtu->modbus);
    rtu->modbus = NULL;
}

static void sleep_until(int64_t real_ns)
{
    struct timespec t = {.tv_sec = real_ns / 1000000000, .tv_nsec = real_ns % 1000000000};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR) {
    }
}

/* Throw away what has come unasked.  @return bytes, or -1 with errno */
static int drain(struct tautd_rtu *rtu)
{
    int waiting = 0;
    if (ioctl(rtu->fd, FIONREAD, &waiting) < 0)
        return -1;
    if (waiting > 0) {
        tcflush(rtu->fd, TCIFLUSH);
        rtu->quiet_from_ns = tautd_clock_real_ns();
    }
    return waiting;
}

/* Wait out late answers, then t3.5 of silence.  @return false with errno when the port is gone or never falls silent */
static bool wait_for_silence(struct tautd_rtu *rtu, double patience_s)
{
    int seen = 0;
    while (!*rtu->stop) {
        int64_t now = tautd_clock_real_ns(), left = rtu->settle_until_ns - now;
        if (left <= 0)
            break;
        struct pollfd p = {.fd = rtu->fd, .events = POLLIN};
        int n = poll(&p, 1, left > 50000000 ? 50 : (int)(left / 1000000) + 1);
        if (n < 0 && errno != EINTR)
            return false;
        if (n > 0) {
            if (p.revents & POLLIN)
                sleep_until(tautd_clock_real_ns() + rtu->gap_ns); /* let the rest of it come */
            int got = drain(rtu);
            if (got <= 0 && (p.revents & (POLLHUP | POLLERR))) {
                errno = EIO;
                return false;
            }
            seen += got;
        }
    }
    if (*rtu->stop) {
        errno = ECANCELED;
        return false;
    }
    rtu->settle_until_ns = 0;
    rtu->late += seen >= 4; /* the shortest answer is an exception of 5 bytes; allow for one lost */
    int64_t give_up = tautd_clock_real_ns() + ns_of(patience_s);
    for (;;) {
        int64_t until = rtu->quiet_from_ns + rtu->gap_ns;
        if (until > tautd_clock_real_ns())
            sleep_until(until);
        int got = drain(rtu);
        if (got < 0)
            return false;
        if (got == 0)
            return true;
        if (tautd_clock_real_ns() > give_up) {
            errno = EMBBADDATA; /* a babbling unit or a second master */
            return false;
        }
    }
}

/* @return bytes, 0 for a frame of another unit, or -1 with errno */
static int collect(struct tautd_rtu *rtu, double budget_s, uint8_t *adu)
{
    int64_t us = llround(budget_s * 1e6);
    us = us < 1000 ? 1000 : us; /* 0 would mean no limit at all */
    modbus_set_response_timeout(rtu->modbus, (uint32_t)(us / 1000000), (uint32_t)(us % 1000000));
    errno = 0;
    return modbus_receive_confirmation(rtu->modbus, adu);
}

void tautd_rtu_ask(struct tautd_rtu *rtu, const struct tautd_ask *ask, double timeout_s, bool settle, struct tautd_exchange *x)
{
    enum { UNTOUCHED = 0xFF }; /* no unit has this address */
    uint8_t request[1 + TAUTD_FRAME_PDU], adu[MODBUS_RTU_MAX_ADU_LENGTH + 4] = {UNTOUCHED};
    *x = (struct tautd_exchange){.lost = false};
    bool silent = wait_for_silence(rtu, timeout_s);
    int n = -1, error = errno;
    x->sent_ns = tautd_clock_mono_ns();
    x->sent_real_ns = tautd_clock_real_ns();
    if (silent) {
        request[0] = ask->unit;
        tautd_frame_request(ask, request + 1);
        modbus_set_slave(rtu->modbus, ask->unit);
        n = modbus_send_raw_request(rtu->modbus, request, sizeof request);
        double wire_s = 1e-9 * (double)(rtu->char_ns * (n + tautd_frame_rtu_answer_size(ask)));
        if (n > 0)
            n = collect(rtu, timeout_s + wire_s, adu);
        error = errno;
    }
    x->got_real_ns = tautd_clock_real_ns();
    x->got_ns = tautd_clock_mono_ns();
    rtu->quiet_from_ns = x->got_real_ns;
    if (n >= 4) {
        tautd_frame_judge(ask, adu[0], adu + 1, n - 3, &x->answer);
    } else if (n >= 0) {
        x->answer.reason = TAUT_REASON_BAD_FRAME; /* libmodbus gives 0 for another unit's frame */
        x->error = EMBBADSLAVE;
    } else {
        x->partial = adu[0] != UNTOUCHED || error >= MODBUS_ENOBASE;
        tautd_frame_failed(x, error);
    }
    bool unanswered = x->answer.reason == TAUT_REASON_NO_ANSWER && x->answer.exception == 0;
    if (x->answer.reason == TAUT_REASON_BAD_FRAME || (unanswered && settle))
        rtu->settle_until_ns = x->got_real_ns + ns_of(rtu->line->settle_s);
}
