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
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "bus/link.h"
#include "clock.h"

static const int known_baud[] = {1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 500000, 921600, 1000000};

static bool baud_known(int baud)
{
    for (size_t i = 0; i < sizeof known_baud / sizeof *known_baud; i++)
        if (known_baud[i] == baud)
            return true;
    return false;
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

static void set_timing(struct tautd_link *link)
{
    const struct tautd_line_config *line = link->line;
    int bits = 1 + (line->data_bits > 0 ? line->data_bits : 8) + (line->parity != TAUTD_PARITY_NONE) + stop_bits(line);
    link->char_ns = INT64_C(1000000000) * bits / line->baud;
    if (line->gap_s > 0)
        link->gap_ns = tautd_link_ns(line->gap_s);
    else
        link->gap_ns = line->baud > 19200 ? 1750000 : (INT64_C(3500000000) * bits + line->baud - 1) / line->baud;
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

static enum taut_status open_port(struct tautd_link *link, double timeout_s, struct taut_diag *diag)
{
    const struct tautd_line_config *line = link->line;
    static const char letter[] = {[TAUTD_PARITY_NONE] = 'N', [TAUTD_PARITY_EVEN] = 'E', [TAUTD_PARITY_ODD] = 'O'};
    (void)timeout_s;
    if (!baud_known(line->baud)) /* libmodbus would quietly take 9600 */
        return taut_diag_set(diag, TAUT_E_RANGE, "line %s: %d baud is not a rate this system can set", line->name, line->baud);
    link->modbus = modbus_new_rtu(line->device, line->baud, letter[line->parity], line->data_bits > 0 ? line->data_bits : 8,
                                  stop_bits(line));
    if (!link->modbus || modbus_connect(link->modbus) < 0)
        return taut_diag_set(diag, TAUT_E_IO, "line %s: can not open %s: %s", line->name, line->device, why_not(errno));
    int fd = modbus_get_socket(link->modbus);
    if (flock(fd, LOCK_EX | LOCK_NB) < 0)
        return taut_diag_set(diag, TAUT_E_IO, "line %s: can not open %s: %s", line->name, line->device, why_not(errno));
    fcntl(fd, F_SETFD, FD_CLOEXEC);
    ask_low_latency(fd);
    enum taut_status status = tautd_link_adopt(link, fd, diag);
    if (status != TAUT_OK)
        return status;
    set_timing(link);
    tcflush(fd, TCIOFLUSH);
    link->quiet_from_ns = tautd_clock_real_ns(); /* whatever was on the line before, keep the silence once */
    link->settle_until_ns = 0;
    return TAUT_OK;
}

static void sleep_until(int64_t real_ns)
{
    struct timespec t = {.tv_sec = real_ns / 1000000000, .tv_nsec = real_ns % 1000000000};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) == EINTR) {
    }
}

/* Throw away what has come unasked.  @return bytes, or -1 with errno */
static int drain(struct tautd_link *link)
{
    int waiting = 0;
    if (ioctl(link->fd, FIONREAD, &waiting) < 0)
        return -1;
    if (waiting > 0) {
        tcflush(link->fd, TCIFLUSH);
        link->quiet_from_ns = tautd_clock_real_ns();
    }
    return waiting;
}

/* Wait out late answers, then t3.5 of silence.  @return false with errno when the port is gone or never falls silent */
static bool wait_for_silence(struct tautd_link *link, double patience_s)
{
    int seen = 0;
    while (!*link->stop) {
        int64_t now = tautd_clock_real_ns(), left = link->settle_until_ns - now;
        if (left <= 0)
            break;
        struct pollfd p = {.fd = link->fd, .events = POLLIN};
        int n = poll(&p, 1, left > 50000000 ? 50 : (int)(left / 1000000) + 1);
        if (n < 0 && errno != EINTR)
            return false;
        if (n > 0) {
            if (p.revents & POLLIN)
                sleep_until(tautd_clock_real_ns() + link->gap_ns); /* let the rest of it come */
            int got = drain(link);
            if (got <= 0 && (p.revents & (POLLHUP | POLLERR))) {
                errno = EIO;
                return false;
            }
            seen += got;
        }
    }
    if (*link->stop) {
        errno = ECANCELED;
        return false;
    }
    link->settle_until_ns = 0;
    link->late += seen >= 4; /* the shortest answer is an exception of 5 bytes; allow for one lost */
    int64_t give_up = tautd_clock_real_ns() + tautd_link_ns(patience_s);
    for (;;) {
        int64_t until = link->quiet_from_ns + link->gap_ns;
        if (until > tautd_clock_real_ns())
            sleep_until(until);
        int got = drain(link);
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

static void ask_unit(struct tautd_link *link, const struct tautd_ask *ask, double timeout_s, bool settle,
                     struct tautd_exchange *x)
{
    enum { UNTOUCHED = 0xFF }; /* no unit has this address */
    uint8_t request[1 + TAUTD_FRAME_PDU], adu[MODBUS_RTU_MAX_ADU_LENGTH + 4] = {UNTOUCHED};
    int n = -1;
    if (wait_for_silence(link, timeout_s)) {
        request[0] = ask->unit;
        tautd_frame_request(ask, request + 1);
        modbus_set_slave(link->modbus, ask->unit);
        x->sent_ns = tautd_clock_mono_ns();
        x->sent_real_ns = tautd_clock_real_ns();
        n = modbus_send_raw_request(link->modbus, request, sizeof request);
        if (n > 0) {
            double wire_s = 1e-9 * (double)(link->char_ns * (n + tautd_frame_rtu_answer_size(ask)));
            n = tautd_link_collect(link, timeout_s + wire_s, adu);
        }
    } else {
        x->sent_ns = tautd_clock_mono_ns();
        x->sent_real_ns = tautd_clock_real_ns();
    }
    int error = errno;
    x->got_real_ns = tautd_clock_real_ns();
    x->got_ns = tautd_clock_mono_ns();
    link->quiet_from_ns = x->got_real_ns;
    if (n >= 4) {
        tautd_frame_judge(ask, adu[0], adu + 1, n - 3, &x->answer);
    } else if (n >= 0) {
        x->answer.reason = TAUT_REASON_BAD_FRAME; /* libmodbus gives 0 for another unit's frame */
        x->error = EMBBADSLAVE;
    } else {
        x->partial = adu[0] != UNTOUCHED;
        tautd_link_failed(x, error);
    }
    bool silent = x->answer.reason == TAUT_REASON_NO_ANSWER && x->answer.exception == 0;
    if (x->answer.reason == TAUT_REASON_BAD_FRAME || (silent && settle))
        link->settle_until_ns = x->got_real_ns + tautd_link_ns(link->line->settle_s);
}

const struct tautd_link_kind tautd_link_rtu = {open_port, ask_unit};
