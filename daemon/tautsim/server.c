/* Failure policy: what can not be had at the start (address, link, socket) ends the program with the reason. Later
 * a peer that sends nonsense, does not read or goes away loses its connection; nobody else notices. */
#include "server.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <netinet/tcp.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/epoll.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/timerfd.h>
#include <sys/un.h>
#include <termios.h>
#include <unistd.h>

#include "clock.h"
#include "command.h"
#include "modbus.h"
#include "taut/units.h"

enum {
    PEERS_MAX = 320,
    REPLIES_MAX = 256,
    BUFFER = 600,
    TICKS_AT_ONCE = 2000,
    TIMER_NS = 10000000,
    GAP_NS = 20000000 /* a serial request that stops for so long was not one */
};

enum peer_kind { FREE, GATEWAY, CLIENT, SERIAL, CONTROL, COMMANDER, STDIN, TIMER, SIGNALS };

struct peer {
    enum peer_kind kind;
    int fd, gateway;
    unsigned generation; /* tells a late answer's peer from its successor */
    int64_t heard_ns;
    size_t used;
    uint8_t buffer[BUFFER];
};

/** An answer that waits for its time. */
struct late_reply {
    int64_t due_ns;
    int peer;
    unsigned generation;
    size_t size;
    uint8_t bytes[TAUTSIM_FRAME_MAX];
};

struct server {
    struct tautsim_bench *bench;
    const struct tautsim_server_options *options;
    int port[TAUTSIM_GATEWAYS_MAX]; /* in use; 0 = not yet */
    int epoll, slave;               /* slave: kept open so that the line does not hang up */
    int64_t start_ns, behind_said_ns;
    bool stop;
    int replies;
    struct late_reply reply[REPLIES_MAX];
    struct peer peer[PEERS_MAX];
};

static enum taut_status refuse(struct taut_diag *diag, const char *what, const char *which)
{
    return taut_diag_set(diag, TAUT_E_IO, "%s %s: %s", what, which, strerror(errno));
}

/* Take over a descriptor.  @return the peer, or NULL (descriptor closed) */
static struct peer *add_peer(struct server *server, enum peer_kind kind, int fd, int gateway)
{
    for (int i = 0; i < PEERS_MAX; i++) {
        struct peer *peer = &server->peer[i];
        if (peer->kind != FREE)
            continue;
        struct epoll_event event = {.events = EPOLLIN, .data.u32 = (uint32_t)i};
        if (epoll_ctl(server->epoll, EPOLL_CTL_ADD, fd, &event) != 0)
            break;
        unsigned generation = peer->generation + 1;
        memset(peer, 0, sizeof *peer);
        peer->kind = kind;
        peer->fd = fd;
        peer->gateway = gateway;
        peer->generation = generation;
        return peer;
    }
    if (kind != STDIN)
        close(fd);
    return NULL;
}

static void drop_peer(struct server *server, struct peer *peer)
{
    epoll_ctl(server->epoll, EPOLL_CTL_DEL, peer->fd, NULL);
    if (peer->kind != STDIN)
        close(peer->fd);
    peer->kind = FREE;
}

/* Bring the bench to the present. */
static void advance(struct server *server)
{
    double now_s = taut_seconds(tautd_clock_mono_ns() - server->start_ns);
    if (tautsim_bench_advance(server->bench, now_s, TICKS_AT_ONCE))
        return;
    int64_t real = tautd_clock_real_ns();
    double behind_s = now_s - tautsim_bench_seconds(server->bench);
    if (behind_s > 1 && real - server->behind_said_ns > 5 * TAUT_NS_PER_S) {
        fprintf(stderr, "tautsim: %.1f s behind the clock: use a smaller --speed or a longer tick_s\n", behind_s);
        server->behind_said_ns = real;
    }
}

static void send_bytes(struct server *server, struct peer *peer, const uint8_t *bytes, size_t size)
{
    ssize_t sent = peer->kind == SERIAL ? write(peer->fd, bytes, size) : send(peer->fd, bytes, size, MSG_NOSIGNAL | MSG_DONTWAIT);
    /* a peer that does not read its answers is of no use to anyone */
    if (sent != (ssize_t)size && peer->kind != SERIAL)
        drop_peer(server, peer);
}

static void answer(struct server *server, struct peer *peer, const uint8_t *bytes, size_t size, double delay_s)
{
    if (size == 0)
        return;
    if (delay_s <= 0) {
        send_bytes(server, peer, bytes, size);
        return;
    }
    if (server->replies == REPLIES_MAX)
        return; /* lost, as a device that is asked too much loses it */
    struct late_reply *reply = &server->reply[server->replies++];
    reply->due_ns = tautd_clock_real_ns() + taut_ns(delay_s);
    reply->peer = (int)(peer - server->peer);
    reply->generation = peer->generation;
    reply->size = size;
    memcpy(reply->bytes, bytes, size);
}

static void send_due_replies(struct server *server)
{
    int64_t now = tautd_clock_real_ns();
    for (int i = 0; i < server->replies;) {
        struct late_reply reply = server->reply[i];
        if (reply.due_ns > now) {
            i++;
            continue;
        }
        memmove(&server->reply[i], &server->reply[i + 1], (size_t)(server->replies - i - 1) * sizeof server->reply[0]);
        server->replies--;
        struct peer *peer = &server->peer[reply.peer];
        if (peer->kind != FREE && peer->generation == reply.generation)
            send_bytes(server, peer, reply.bytes, reply.size);
    }
}

/* Answer every whole request in the peer's buffer.  @return false when the peer talks nonsense */
static bool answer_requests(struct server *server, struct peer *peer)
{
    unsigned generation = peer->generation;
    bool serial = peer->kind == SERIAL;
    for (;;) {
        size_t length =
            serial ? tautsim_modbus_serial_length(peer->buffer, peer->used) : tautsim_modbus_tcp_length(peer->buffer, peer->used);
        if (length == SIZE_MAX)
            return false;
        if (length == 0 || length > peer->used)
            return true;
        uint8_t out[TAUTSIM_FRAME_MAX + 8];
        double delay_s;
        size_t size = serial ? tautsim_modbus_serial(server->bench, peer->gateway, peer->buffer, length, out, &delay_s)
                             : tautsim_modbus_tcp(server->bench, peer->gateway, peer->buffer, length, out, &delay_s);
        memmove(peer->buffer, peer->buffer + length, peer->used - length);
        peer->used -= length;
        answer(server, peer, out, size, delay_s);
        if (peer->kind == FREE || peer->generation != generation)
            return true;
    }
}

static void read_modbus(struct server *server, struct peer *peer)
{
    int64_t now = tautd_clock_real_ns();
    if (peer->kind == SERIAL && peer->used && now - peer->heard_ns > GAP_NS)
        peer->used = 0;
    peer->heard_ns = now;
    ssize_t got = read(peer->fd, peer->buffer + peer->used, BUFFER - peer->used);
    if (got <= 0) {
        if (peer->kind == CLIENT && !(got < 0 && (errno == EAGAIN || errno == EINTR)))
            drop_peer(server, peer);
        return;
    }
    peer->used += (size_t)got;
    if (answer_requests(server, peer))
        return;
    if (peer->kind == SERIAL)
        peer->used = 0;
    else
        drop_peer(server, peer);
}

static void reconcile(struct server *server);

/* One line of command; the reply ends with "ok" or "error: ...". */
static void run_line(struct server *server, const char *line, struct taut_text *reply)
{
    struct tautsim_action action;
    struct taut_diag diag;
    if (tautsim_command_parse(server->bench->borrowed_scenario, line, &action, &diag) != TAUT_OK) {
        taut_text_addf(reply, "error: %s\n", diag.text);
        return;
    }
    tautsim_command_run(server->bench, &action, reply);
    reconcile(server); /* what was asked for is done before it is answered */
    taut_text_add(reply, "ok\n");
}

static void read_commands(struct server *server, struct peer *peer)
{
    ssize_t got = read(peer->fd, peer->buffer + peer->used, BUFFER - 1 - peer->used);
    if (got <= 0) {
        drop_peer(server, peer);
        return;
    }
    peer->used += (size_t)got;
    char *end;
    unsigned generation = peer->generation;
    while (peer->kind != FREE && peer->generation == generation && (end = memchr(peer->buffer, '\n', peer->used)) != NULL) {
        char storage[60000];
        struct taut_text reply;
        taut_text_init(&reply, storage, sizeof storage);
        *end = '\0';
        run_line(server, (const char *)peer->buffer, &reply);
        size_t length = (size_t)(end + 1 - (char *)peer->buffer);
        memmove(peer->buffer, peer->buffer + length, peer->used - length);
        peer->used -= length;
        if (peer->kind == STDIN) {
            fputs(storage, stdout);
            fflush(stdout);
        } else {
            send_bytes(server, peer, (const uint8_t *)storage, reply.length);
        }
    }
    if (peer->kind != FREE && peer->used == BUFFER - 1)
        drop_peer(server, peer);
}

static void accept_peer(struct server *server, const struct peer *listener)
{
    int fd = accept4(listener->fd, NULL, NULL, SOCK_NONBLOCK | SOCK_CLOEXEC);
    if (fd < 0)
        return;
    int on = 1;
    if (listener->kind == GATEWAY)
        setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    add_peer(server, listener->kind == GATEWAY ? CLIENT : COMMANDER, fd, listener->gateway);
}

static void serve_peer(struct server *server, struct peer *peer)
{
    uint64_t ticks;
    ssize_t ignored;
    switch (peer->kind) {
    case GATEWAY:
    case CONTROL:
        accept_peer(server, peer);
        break;
    case CLIENT:
    case SERIAL:
        read_modbus(server, peer);
        break;
    case COMMANDER:
    case STDIN:
        read_commands(server, peer);
        break;
    case TIMER:
        ignored = read(peer->fd, &ticks, sizeof ticks);
        (void)ignored;
        break;
    case SIGNALS:
        server->stop = true;
        break;
    case FREE:
        break;
    }
}

static int wanted_port(const struct server *server, int gateway)
{
    if (server->port[gateway])
        return server->port[gateway]; /* back where it was */
    if (server->options->port > 0)
        return server->options->port + gateway;
    return server->options->port == 0 ? 0 : server->bench->borrowed_scenario->gateway[gateway].port;
}

static enum taut_status open_gateway(struct server *server, int gateway, struct taut_diag *diag)
{
    const struct tautsim_gateway *spec = &server->bench->borrowed_scenario->gateway[gateway];
    const struct tautsim_server_options *options = server->options;
    int port = wanted_port(server, gateway);
    struct sockaddr_in address = {.sin_family = AF_INET, .sin_port = htons((uint16_t)port)};
    char which[64];
    snprintf(which, sizeof which, "%s:%d", options->listen, port);
    if (inet_pton(AF_INET, options->listen, &address.sin_addr) != 1)
        return taut_diag_set(diag, TAUT_E_ARG, "address \"%s\" must be an IPv4 address", options->listen);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    int on = 1;
    socklen_t size = sizeof address;
    if (fd < 0 || setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on) != 0 ||
        bind(fd, (struct sockaddr *)&address, sizeof address) != 0 || listen(fd, 64) != 0 ||
        getsockname(fd, (struct sockaddr *)&address, &size) != 0) {
        enum taut_status status = refuse(diag, "can not listen on", which);
        if (fd >= 0)
            close(fd);
        return status;
    }
    if (!add_peer(server, GATEWAY, fd, gateway))
        return taut_diag_set(diag, TAUT_E_FULL, "no room for gateway %s", spec->name);
    if (server->port[gateway] == 0)
        printf("tautsim: gateway %s listens on %s:%d\n", spec->name, options->listen, ntohs(address.sin_port));
    server->port[gateway] = ntohs(address.sin_port);
    return TAUT_OK;
}

static enum taut_status open_serial(struct server *server, struct taut_diag *diag)
{
    const struct tautsim_server_options *options = server->options;
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0)
        return refuse(diag, "can not make", "a pseudo-terminal");
    char name[64];
    if (ptsname_r(master, name, sizeof name) != 0)
        return refuse(diag, "can not name", "the pseudo-terminal");
    server->slave = open(name, O_RDWR | O_NOCTTY | O_CLOEXEC);
    struct termios raw;
    if (server->slave < 0 || tcgetattr(server->slave, &raw) != 0)
        return refuse(diag, "can not open", name);
    cfmakeraw(&raw);
    tcsetattr(server->slave, TCSANOW, &raw);
    struct stat there;
    if (lstat(options->rtu_link, &there) == 0 && S_ISLNK(there.st_mode))
        unlink(options->rtu_link); /* of an earlier run; anything else is not ours to remove */
    if (symlink(name, options->rtu_link) != 0)
        return refuse(diag, "can not link", options->rtu_link);
    if (!add_peer(server, SERIAL, master, options->rtu_gateway))
        return taut_diag_set(diag, TAUT_E_FULL, "no room for the serial line");
    printf("tautsim: serial line %s -> %s\n", options->rtu_link, name);
    return TAUT_OK;
}

static struct peer *find_peer(struct server *server, enum peer_kind kind, int gateway)
{
    for (int i = 0; i < PEERS_MAX; i++)
        if (server->peer[i].kind == kind && server->peer[i].gateway == gateway)
            return &server->peer[i];
    return NULL;
}

static void cut_gateway(struct server *server, struct peer *listener)
{
    int gateway = listener->gateway;
    drop_peer(server, listener);
    for (struct peer *peer; (peer = find_peer(server, CLIENT, gateway)) != NULL;)
        drop_peer(server, peer);
}

static void unplug_serial(struct server *server, struct peer *line)
{
    unlink(server->options->rtu_link);
    drop_peer(server, line);
    close(server->slave);
    server->slave = -1;
}

/* Cut or restore what commands and events said. What can not be restored now is tried again at the next turn. */
static void reconcile(struct server *server)
{
    struct taut_diag diag;
    enum taut_status ignored = TAUT_OK;
    for (int i = 0; i < server->bench->borrowed_scenario->gateways; i++) {
        struct peer *listener = find_peer(server, GATEWAY, i);
        if (listener && server->bench->gateway_down[i])
            cut_gateway(server, listener);
        else if (!listener && !server->bench->gateway_down[i])
            ignored = open_gateway(server, i, &diag);
    }
    struct peer *line = find_peer(server, SERIAL, server->options->rtu_gateway);
    if (line && server->bench->serial_down)
        unplug_serial(server, line);
    else if (!line && server->options->rtu_link && !server->bench->serial_down)
        ignored = open_serial(server, &diag);
    (void)ignored;
}

static bool set_path(struct sockaddr_un *address, const char *path)
{
    memset(address, 0, sizeof *address);
    address->sun_family = AF_UNIX;
    if (strlen(path) >= sizeof address->sun_path) {
        errno = ENAMETOOLONG;
        return false;
    }
    memcpy(address->sun_path, path, strlen(path) + 1);
    return true;
}

static enum taut_status open_control(struct server *server, const char *path, struct taut_diag *diag)
{
    struct sockaddr_un address;
    struct stat there;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0);
    if (fd >= 0 && set_path(&address, path) && lstat(path, &there) == 0 && S_ISSOCK(there.st_mode)) {
        if (connect(fd, (struct sockaddr *)&address, sizeof address) == 0) {
            close(fd);
            return taut_diag_set(diag, TAUT_E_IO, "another simulator listens on %s", path);
        }
        unlink(path); /* left over */
    }
    if (fd < 0 || !set_path(&address, path) || bind(fd, (struct sockaddr *)&address, sizeof address) != 0 ||
        listen(fd, 16) != 0) {
        enum taut_status status = refuse(diag, "can not listen on", path);
        if (fd >= 0)
            close(fd);
        return status;
    }
    if (!add_peer(server, CONTROL, fd, 0))
        return taut_diag_set(diag, TAUT_E_FULL, "no room for the control socket");
    printf("tautsim: commands on %s\n", path);
    return TAUT_OK;
}

static enum taut_status open_rest(struct server *server, struct taut_diag *diag)
{
    sigset_t set;
    sigemptyset(&set);
    sigaddset(&set, SIGINT);
    sigaddset(&set, SIGTERM);
    sigprocmask(SIG_BLOCK, &set, NULL);
    signal(SIGPIPE, SIG_IGN);
    signal(SIGTTIN, SIG_IGN); /* in the background the keyboard is somebody else's */
    int signals = signalfd(-1, &set, SFD_NONBLOCK | SFD_CLOEXEC);
    int timer = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
    const struct itimerspec every = {.it_interval.tv_nsec = TIMER_NS, .it_value.tv_nsec = TIMER_NS};
    bool fine = signals >= 0 && timer >= 0 && timerfd_settime(timer, 0, &every, NULL) == 0 &&
                add_peer(server, SIGNALS, signals, 0) && add_peer(server, TIMER, timer, 0);
    if (!fine)
        return refuse(diag, "can not set up", "timer and signals");
    add_peer(server, STDIN, STDIN_FILENO, 0); /* not if it is a plain file or closed */
    return TAUT_OK;
}

static enum taut_status open_all(struct server *server, struct taut_diag *diag)
{
    const struct tautsim_server_options *options = server->options;
    server->epoll = epoll_create1(EPOLL_CLOEXEC);
    if (server->epoll < 0)
        return refuse(diag, "can not make", "an epoll");
    enum taut_status status = open_rest(server, diag);
    for (int i = 0; status == TAUT_OK && i < server->bench->borrowed_scenario->gateways; i++)
        status = open_gateway(server, i, diag);
    if (status == TAUT_OK && options->rtu_link)
        status = open_serial(server, diag);
    if (status == TAUT_OK && options->control)
        status = open_control(server, options->control, diag);
    return status;
}

static void close_all(struct server *server)
{
    for (int i = 0; i < PEERS_MAX; i++) {
        struct peer *peer = &server->peer[i];
        if (peer->kind == CONTROL)
            unlink(server->options->control);
        if (peer->kind == SERIAL)
            unlink(server->options->rtu_link);
        if (peer->kind != FREE)
            drop_peer(server, peer);
    }
    if (server->slave >= 0)
        close(server->slave);
    if (server->epoll >= 0)
        close(server->epoll);
    free(server);
}

enum taut_status tautsim_server_run(struct tautsim_bench *bench, const struct tautsim_server_options *options,
                                    struct taut_diag *diag)
{
    struct server *server = calloc(1, sizeof *server);
    if (!server)
        return taut_diag_set(diag, TAUT_E_MEMORY, "no memory");
    server->bench = bench;
    server->options = options;
    server->epoll = server->slave = -1;
    enum taut_status status = open_all(server, diag);
    if (status == TAUT_OK) {
        printf("tautsim: ready, %g times real time\n", tautd_clock_factor());
        fflush(stdout);
        server->start_ns = tautd_clock_mono_ns();
    }
    while (status == TAUT_OK && !server->stop) {
        struct epoll_event event[64];
        int count = epoll_wait(server->epoll, event, 64, 1000);
        advance(server);
        for (int i = 0; i < count; i++)
            serve_peer(server, &server->peer[event[i].data.u32]);
        reconcile(server);
        send_due_replies(server);
    }
    close_all(server);
    return status;
}

int tautsim_server_ctl(const char *path, const char *command)
{
    static const char done[] = "ok\n";
    static char reply[65536];
    struct sockaddr_un address;
    size_t used = 0;
    const struct timeval patience = {.tv_sec = 10};
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0 || !set_path(&address, path) || setsockopt(fd, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience) != 0 ||
        connect(fd, (struct sockaddr *)&address, sizeof address) != 0) {
        fprintf(stderr, "tautsim: no simulator at %s: %s\n", path, strerror(errno));
        if (fd >= 0)
            close(fd);
        return 2;
    }
    dprintf(fd, "%s\n", command);
    shutdown(fd, SHUT_WR);
    for (ssize_t got; used < sizeof reply - 1 && (got = read(fd, reply + used, sizeof reply - 1 - used)) > 0;)
        used += (size_t)got;
    close(fd);
    reply[used] = '\0';
    bool fine = used >= sizeof done - 1 && strcmp(reply + used - (sizeof done - 1), done) == 0;
    if (fine)
        reply[used - (sizeof done - 1)] = '\0';
    fputs(reply, fine ? stdout : stderr);
    return fine ? 0 : 1;
}
