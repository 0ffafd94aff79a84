/* Failure policy: an error leaves the link as it is and says in the exchange whether it must be closed. Nothing is
 * sent again here. */
#include "bus/link.h"

#include <errno.h>
#include <math.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

#include "clock.h"

static const struct tautd_link_kind *kind_of(const struct tautd_link *link)
{
    return link->line->kind == TAUTD_LINE_RTU ? &tautd_link_rtu : &tautd_link_tcp;
}

int64_t tautd_link_ns(double s)
{
    return llround(s * 1e9);
}

void tautd_link_init(struct tautd_link *link, const struct tautd_line_config *line, const atomic_bool *stop)
{
    *link = (struct tautd_link){.line = line, .stop = stop, .fd = -1};
    pthread_mutex_init(&link->lock, NULL);
}

enum taut_status tautd_link_open(struct tautd_link *link, double timeout_s, struct taut_diag *diag)
{
    enum taut_status status = kind_of(link)->open(link, timeout_s, diag);
    if (status != TAUT_OK)
        tautd_link_close(link);
    return status;
}

enum taut_status tautd_link_adopt(struct tautd_link *link, int fd, struct taut_diag *diag)
{
    if (fd >= FD_SETSIZE)
        return taut_diag_set(diag, TAUT_E_IO,
                             "line %s: descriptor %d is beyond the %d that libmodbus can wait for; "
                             "too many files or connections are open in this process",
                             link->line->name, fd, FD_SETSIZE);
    modbus_set_error_recovery(link->modbus, MODBUS_ERROR_RECOVERY_NONE);
    modbus_set_byte_timeout(link->modbus, 0, 0);
    pthread_mutex_lock(&link->lock);
    link->fd = fd;
    pthread_mutex_unlock(&link->lock);
    return TAUT_OK;
}

void tautd_link_ask(struct tautd_link *link, const struct tautd_ask *ask, double timeout_s, bool settle,
                    struct tautd_exchange *exchange)
{
    *exchange = (struct tautd_exchange){.lost = false};
    kind_of(link)->ask(link, ask, timeout_s, settle, exchange);
}

int tautd_link_collect(struct tautd_link *link, double budget_s, uint8_t *adu)
{
    int64_t us = llround(budget_s * 1e6);
    us = us < 1000 ? 1000 : us; /* 0 would mean no limit at all */
    modbus_set_response_timeout(link->modbus, (uint32_t)(us / 1000000), (uint32_t)(us % 1000000));
    errno = 0;
    return modbus_receive_confirmation(link->modbus, adu);
}

void tautd_link_failed(struct tautd_exchange *exchange, int error)
{
    static const int gone[] = {EIO, ENODEV, ENXIO, EBADF, ECONNRESET, EPIPE, ECONNABORTED, ENETUNREACH, EHOSTUNREACH, ENETDOWN};
    exchange->error = error;
    exchange->answer.reason = exchange->partial ? TAUT_REASON_BAD_FRAME : TAUT_REASON_NO_ANSWER;
    for (size_t i = 0; i < sizeof gone / sizeof *gone; i++)
        if (error == gone[i]) {
            exchange->answer.reason = TAUT_REASON_LINE_DOWN;
            exchange->lost = true;
        }
    if (error >= MODBUS_ENOBASE)
        exchange->answer.reason = TAUT_REASON_BAD_FRAME;
}

void tautd_link_interrupt(struct tautd_link *link)
{
    pthread_mutex_lock(&link->lock);
    if (link->fd >= 0 && link->line->kind == TAUTD_LINE_TCP)
        shutdown(link->fd, SHUT_RDWR);
    pthread_mutex_unlock(&link->lock);
}

void tautd_link_close(struct tautd_link *link)
{
    pthread_mutex_lock(&link->lock);
    link->fd = -1;
    if (link->modbus) {
        modbus_close(link->modbus); /* closes the descriptor */
        modbus_free(link->modbus);
        link->modbus = NULL;
    }
    pthread_mutex_unlock(&link->lock);
}

void tautd_link_destroy(struct tautd_link *link)
{
    tautd_link_close(link);
    tautd_link_forget_lookup(link);
    pthread_mutex_destroy(&link->lock);
}
