/* Two listeners of libmicrohttpd without threads: their epoll descriptors sit in the main loop.
 *
 * Failure policy: a question that is malformed, too big, too slow or from a foreign page is answered with the reason
 * (or cut off) and logged sparsely; it changes nothing. Each listener has its own bound on connections, so a flood
 * on TCP does not lock out the Unix socket. */
#include "web/api.h"

#include <microhttpd.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include "clock.h"
#include "log.h"
#include "taut/units.h"
#include "web/answer.h"
#include "web/listen.h"
#include "web/live.h"

enum { CONNECTIONS = 64, LISTENERS = 2, IDLE_S = 10, MEMORY = 16 * 1024 };
#define ASK_NS    (10 * TAUT_NS_PER_S) /* a question must have come in by then */
#define ANSWER_NS (30 * TAUT_NS_PER_S) /* and its answer have gone out by then */
#define NEVER     INT64_MAX

/* One connection and the real time at which it is cut off. */
struct slot {
    struct MHD_Connection *connection;
    int64_t deadline_ns;
};

struct listener {
    struct tautd_api *api;
    struct MHD_Daemon *mhd;
    int epoll_fd;
    bool local;
    bool closed; /* a connection went since the last run */
    struct slot slot[CONNECTIONS];
};

struct tautd_api {
    struct tautd_api_host host; /* copied; its ctx is borrowed */
    struct tautd_answer answer;
    struct listener listener[LISTENERS];
    int listeners, open; /* open: questions not yet answered in full */
    int connections;
    int port;
    struct tautd_listen_file file;
};

/* ---- connections ---- */

static struct slot *slot_of(struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info = MHD_get_connection_info(connection, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    return info ? info->socket_context : NULL;
}

static void set_deadline(struct MHD_Connection *connection, int64_t from_now_ns)
{
    struct slot *slot = slot_of(connection);
    if (slot)
        slot->deadline_ns = from_now_ns == NEVER ? NEVER : tautd_clock_real_ns() + from_now_ns;
}

static void on_connection(void *cls, struct MHD_Connection *connection, void **context, enum MHD_ConnectionNotificationCode what)
{
    struct listener *listener = cls;
    if (what == MHD_CONNECTION_NOTIFY_CLOSED) {
        struct slot *slot = *context;
        listener->closed = true;
        listener->api->connections--;
        if (slot)
            *slot = (struct slot){0};
        return;
    }
    listener->api->connections++;
    for (int i = 0; i < CONNECTIONS; i++)
        if (!listener->slot[i].connection) {
            listener->slot[i] = (struct slot){connection, tautd_clock_real_ns() + ASK_NS};
            *context = &listener->slot[i];
            return;
        }
}

/* MHD bounds only the silence between two bytes; a client that drips is cut off here. */
static void cut_slow(struct listener *listener, int64_t now_ns)
{
    for (int i = 0; i < CONNECTIONS; i++) {
        struct slot *slot = &listener->slot[i];
        if (!slot->connection || now_ns < slot->deadline_ns)
            continue;
        const union MHD_ConnectionInfo *info = MHD_get_connection_info(slot->connection, MHD_CONNECTION_INFO_CONNECTION_FD);
        if (info)
            shutdown(info->connect_fd, SHUT_RDWR);
        slot->deadline_ns = NEVER;
        tautd_log_sparse(TAUTD_WARNING, "api-slow", "api: a client was too slow and was cut off");
    }
}

/* ---- questions ---- */

static void *on_target(void *cls, const char *target, struct MHD_Connection *connection)
{
    struct listener *listener = cls;
    struct tautd_question *question = tautd_question_new(target);
    (void)connection;
    if (question)
        listener->api->open++;
    return question;
}

static void on_completed(void *cls, struct MHD_Connection *connection, void **context, enum MHD_RequestTerminationCode why)
{
    struct listener *listener = cls;
    (void)why;
    if (!*context)
        return;
    tautd_question_free(*context);
    *context = NULL;
    listener->api->open--;
    set_deadline(connection, ASK_NS);
}

static enum MHD_Result on_question(void *cls, struct MHD_Connection *connection, const char *path, const char *method,
                                   const char *version, const char *data, size_t *size, void **context)
{
    struct listener *listener = cls;
    struct tautd_question *question = *context;
    (void)version;
    if (!question)
        return MHD_NO;
    struct tautd_asked asked = {connection, path, method, listener->local};
    enum tautd_answered answered = tautd_answer_take(&listener->api->answer, question, &asked, data, size);
    if (answered == TAUTD_ANSWER_DONE)
        set_deadline(connection, ANSWER_NS);
    else if (answered == TAUTD_ANSWER_STREAM)
        set_deadline(connection, NEVER);
    return answered == TAUTD_ANSWER_CUT ? MHD_NO : MHD_YES;
}

TAUT_PRINTF(2, 0) static void on_log(void *cls, const char *format, va_list args)
{
    char text[256];
    (void)cls;
    vsnprintf(text, sizeof text, format, args);
    tautd_log_sparse(TAUTD_DEBUG, "api-mhd", "api: %s", text);
}

/* ---- start and end ---- */

static bool start(struct tautd_api *api, int fd, bool local, struct taut_diag *diag)
{
    struct listener *listener = &api->listener[api->listeners];
    *listener = (struct listener){.api = api, .local = local};
    listener->mhd =
        MHD_start_daemon(MHD_USE_EPOLL | MHD_ALLOW_SUSPEND_RESUME | MHD_USE_ERROR_LOG, 0, NULL, NULL, on_question, listener,
                         MHD_OPTION_EXTERNAL_LOGGER, on_log, NULL, MHD_OPTION_LISTEN_SOCKET, fd, MHD_OPTION_CONNECTION_LIMIT,
                         (unsigned)CONNECTIONS, MHD_OPTION_CONNECTION_TIMEOUT, (unsigned)IDLE_S,
                         MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)MEMORY, MHD_OPTION_STRICT_FOR_CLIENT, 1,
                         MHD_OPTION_URI_LOG_CALLBACK, on_target, listener, MHD_OPTION_NOTIFY_COMPLETED, on_completed, listener,
                         MHD_OPTION_NOTIFY_CONNECTION, on_connection, listener, MHD_OPTION_END);
    if (!listener->mhd) {
        close(fd);
        taut_diag_set(diag, TAUT_E_IO, "the HTTP server does not start (libmicrohttpd %s)", MHD_get_version());
        return false;
    }
    listener->epoll_fd = MHD_get_daemon_info(listener->mhd, MHD_DAEMON_INFO_EPOLL_FD)->epoll_fd;
    api->listeners++;
    return true;
}

static bool start_unix(struct tautd_api *api, const struct tautd_config *config, struct taut_diag *diag)
{
    char path[TAUTD_PATH_MAX + 16];
    if (config->api.socket[0]) {
        snprintf(path, sizeof path, "%s", config->api.socket);
    } else {
        mkdir(config->run_dir, 0755); /* usually there; if it can not be made, bind says so */
        snprintf(path, sizeof path, "%s/taut.sock", config->run_dir);
    }
    int fd = tautd_listen_unix(path, config->api.group, &api->file, diag);
    return fd >= 0 && start(api, fd, true, diag);
}

static bool start_tcp(struct tautd_api *api, const struct tautd_config *config, struct taut_diag *diag)
{
    if (!config->api.listen[0])
        return true;
    int fd = tautd_listen_tcp(config->api.listen, config->api.port, diag);
    if (fd < 0)
        return false;
    api->port = tautd_listen_port(fd);
    return start(api, fd, false, diag);
}

struct tautd_api *tautd_api_new(const struct tautd_config *config, const struct tautd_api_host *host, struct taut_diag *diag)
{
    struct tautd_api *api = calloc(1, sizeof *api);
    struct tautd_live *live = api ? tautd_live_new(&api->host) : NULL;
    if (!live) {
        taut_diag_set(diag, TAUT_E_MEMORY, "no memory for the API");
        free(api);
        return NULL;
    }
    api->host = *host;
    api->answer = (struct tautd_answer){.borrowed_host = &api->host, .live = live};
    if (!start_unix(api, config, diag) || !start_tcp(api, config, diag)) {
        tautd_api_free(api);
        return NULL;
    }
    return api;
}

int tautd_api_port(const struct tautd_api *api)
{
    return api->port;
}

int tautd_api_fds(const struct tautd_api *api, int *fds, int most)
{
    int n = 0;
    for (; n < api->listeners && n < most; n++)
        fds[n] = api->listener[n].epoll_fd;
    return n;
}

static int64_t next_deadline_ns(const struct tautd_api *api)
{
    int64_t next_ns = NEVER;
    for (int l = 0; l < api->listeners; l++)
        for (int i = 0; i < CONNECTIONS; i++) {
            const struct slot *slot = &api->listener[l].slot[i];
            if (slot->connection && slot->deadline_ns < next_ns)
                next_ns = slot->deadline_ns;
        }
    return next_ns;
}

static int shorter(int a, int b)
{
    return a < 0 || (b >= 0 && b < a) ? b : a;
}

bool tautd_api_idle(const struct tautd_api *api)
{
    return api->connections == 0;
}

int tautd_api_timeout_ms(const struct tautd_api *api)
{
    if (tautd_api_idle(api))
        return -1;
    int ms = tautd_live_timeout_ms(api->answer.live);
    const int64_t next_ns = next_deadline_ns(api);
    if (next_ns != NEVER) {
        int64_t left_ns = next_ns - tautd_clock_real_ns();
        ms = shorter(ms, left_ns <= 0 ? 0 : (int)(left_ns / TAUT_NS_PER_MS) + 1);
    }
    for (int l = 0; l < api->listeners; l++) {
        MHD_UNSIGNED_LONG_LONG wait_ms;
        if (MHD_get_timeout(api->listener[l].mhd, &wait_ms) == MHD_YES)
            ms = shorter(ms, wait_ms < 60000 ? (int)wait_ms : 60000);
    }
    return ms;
}

void tautd_api_run(struct tautd_api *api)
{
    const int64_t now_ns = tautd_clock_real_ns();
    tautd_live_run(api->answer.live);
    for (int l = 0; l < api->listeners; l++) {
        struct listener *listener = &api->listener[l];
        cut_slow(listener, now_ns);
        listener->closed = false;
        MHD_run(listener->mhd);
        /* A full listener takes up listening again only in the run after one that closed something. */
        if (listener->closed)
            MHD_run(listener->mhd);
    }
}

void tautd_api_publish(struct tautd_api *api, int station, const char *what)
{
    tautd_live_publish(api->answer.live, station, what);
}

/* Let answers under way go out, for a second at most. */
static void drain(struct tautd_api *api)
{
    const int64_t end_ns = tautd_clock_real_ns() + TAUT_NS_PER_S;
    tautd_live_end(api->answer.live);
    while (true) {
        tautd_api_run(api);
        if (api->open == 0 || tautd_clock_real_ns() >= end_ns)
            return;
        struct pollfd wait[LISTENERS];
        for (int l = 0; l < api->listeners; l++)
            wait[l] = (struct pollfd){.fd = api->listener[l].epoll_fd, .events = POLLIN};
        poll(wait, (nfds_t)api->listeners, 10);
    }
}

void tautd_api_free(struct tautd_api *api)
{
    if (!api)
        return;
    for (int l = 0; l < api->listeners; l++) {
        int fd = MHD_quiesce_daemon(api->listener[l].mhd);
        if (fd >= 0)
            close(fd);
    }
    tautd_listen_remove(&api->file);
    drain(api);
    for (int l = 0; l < api->listeners; l++)
        MHD_stop_daemon(api->listener[l].mhd);
    tautd_live_free(api->answer.live);
    tautd_answer_reset(&api->answer);
    free(api);
}
