/* Failure policy: a socket that can not be made as configured (group, mode, address) is not made at all, and the
 * daemon says why; it is never made with wider access than asked for. */
#include "web/listen.h"

#include <arpa/inet.h>
#include <errno.h>
#include <grp.h>
#include <netinet/in.h>
#include <pwd.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include "log.h"

static int refuse(int fd, struct taut_diag *diag, enum taut_status status, const char *path, const char *what)
{
    taut_diag_set(diag, status, "%s: %s", path, what);
    if (fd >= 0)
        close(fd);
    return -1;
}

/* Is the file in the way a socket that nobody listens on?  Then it goes. */
static enum taut_status clear_stale(const struct sockaddr_un *address, struct taut_diag *diag)
{
    const char *path = address->sun_path;
    struct stat there;
    if (lstat(path, &there) != 0)
        return TAUT_OK;
    if (!S_ISSOCK(there.st_mode))
        return taut_diag_set(diag, TAUT_E_EXISTS, "%s: there is a file that is not a socket; remove it or set api.socket", path);
    int probe = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (probe < 0)
        return taut_diag_set(diag, TAUT_E_IO, "%s: %s", path, strerror(errno));
    int failed = connect(probe, (const struct sockaddr *)address, sizeof *address) == 0 ? 0 : errno;
    close(probe);
    if (failed == 0 || failed == EAGAIN)
        return taut_diag_set(diag, TAUT_E_EXISTS, "%s: another program listens here; is tautd running already?", path);
    if (failed != ECONNREFUSED)
        return taut_diag_set(diag, TAUT_E_IO, "%s: can not tell whether it is in use: %s", path, strerror(failed));
    tautd_log(TAUTD_NOTICE, "%s: left over from a program that is gone; replaced", path);
    if (unlink(path) != 0)
        return taut_diag_set(diag, TAUT_E_IO, "%s: can not remove the old socket: %s", path, strerror(errno));
    return TAUT_OK;
}

static enum taut_status give_to_group(const char *path, const char *group, struct taut_diag *diag)
{
    if (!group[0])
        return TAUT_OK;
    char buffer[4096];
    struct group entry, *found = NULL;
    if (getgrnam_r(group, &entry, buffer, sizeof buffer, &found) != 0 || !found)
        return taut_diag_set(diag, TAUT_E_NOENT,
                             "api.group: there is no group \"%s\" on this machine; add it or leave the key out", group);
    if (chown(path, (uid_t)-1, found->gr_gid) != 0)
        return taut_diag_set(diag, TAUT_E_DENIED, "%s: can not be given to group %s: %s; run as root or as a member of it", path,
                             group, strerror(errno));
    return TAUT_OK;
}

int tautd_listen_unix(const char *path, const char *group, struct tautd_listen_file *file, struct taut_diag *diag)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    struct stat made;
    if (strlen(path) >= sizeof address.sun_path || strlen(path) >= sizeof file->path) {
        taut_diag_set(diag, TAUT_E_RANGE, "%s: a socket's path may have at most %zu bytes", path, sizeof address.sun_path - 1);
        return -1;
    }
    memcpy(address.sun_path, path, strlen(path) + 1);
    if (clear_stale(&address, diag) != TAUT_OK)
        return -1;
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0 || bind(fd, (const struct sockaddr *)&address, sizeof address) != 0)
        return refuse(fd, diag, TAUT_E_IO, path,
                      errno == ENOENT ? "its folder does not exist; make it or set api.socket" : strerror(errno));
    /* Nobody can connect before listen(), so there is no moment with wider access. */
    memcpy(file->path, path, strlen(path) + 1);
    if (lstat(path, &made) != 0)
        return refuse(fd, diag, TAUT_E_IO, path, strerror(errno));
    file->device = made.st_dev;
    file->inode = made.st_ino;
    if (give_to_group(path, group, diag) != TAUT_OK) {
        tautd_listen_remove(file);
        close(fd);
        return -1;
    }
    if (chmod(path, 0660) != 0 || listen(fd, 64) != 0) {
        tautd_listen_remove(file);
        return refuse(fd, diag, TAUT_E_IO, path, strerror(errno));
    }
    return fd;
}

void tautd_listen_remove(const struct tautd_listen_file *file)
{
    struct stat there;
    if (file->path[0] && lstat(file->path, &there) == 0 && there.st_dev == file->device && there.st_ino == file->inode)
        unlink(file->path);
}

union address {
    struct sockaddr any;
    struct sockaddr_in v4;
    struct sockaddr_in6 v6;
};

static socklen_t loopback_address(const char *text, int port, union address *out)
{
    memset(out, 0, sizeof *out);
    if (strcmp(text, "localhost") == 0)
        text = "127.0.0.1";
    if (inet_pton(AF_INET, text, &out->v4.sin_addr) == 1) {
        out->v4.sin_family = AF_INET;
        out->v4.sin_port = htons((uint16_t)port);
        return ntohl(out->v4.sin_addr.s_addr) >> 24 == 127 ? sizeof out->v4 : 0;
    }
    if (inet_pton(AF_INET6, text, &out->v6.sin6_addr) == 1) {
        out->v6.sin6_family = AF_INET6;
        out->v6.sin6_port = htons((uint16_t)port);
        return IN6_IS_ADDR_LOOPBACK(&out->v6.sin6_addr) ? sizeof out->v6 : 0;
    }
    return 0;
}

int tautd_listen_tcp(const char *address, int port, struct taut_diag *diag)
{
    union address to;
    const int on = 1;
    char where[96];
    snprintf(where, sizeof where, "api.listen %s port %d", address, port);
    if (port < 0 || port > 65535)
        return refuse(-1, diag, TAUT_E_RANGE, where, "a port is a number from 0 to 65535");
    socklen_t size = loopback_address(address, port, &to);
    if (size == 0)
        return refuse(-1, diag, TAUT_E_RANGE, where, "only a loopback address (127.0.0.1 or ::1) is allowed");
    int fd = socket(to.any.sa_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (fd < 0)
        return refuse(-1, diag, TAUT_E_IO, where, strerror(errno));
    setsockopt(fd, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    if (bind(fd, &to.any, size) != 0 || listen(fd, 64) != 0)
        return refuse(fd, diag, TAUT_E_IO, where,
                      errno == EADDRINUSE ? "another program uses this port; set api.port to a free one" : strerror(errno));
    return fd;
}

int tautd_listen_port(int fd)
{
    union address bound;
    socklen_t size = sizeof bound;
    if (getsockname(fd, &bound.any, &size) != 0)
        return 0;
    return ntohs(bound.any.sa_family == AF_INET6 ? bound.v6.sin6_port : bound.v4.sin_port);
}

/* From the local file only: the loop must not wait for a directory server. */
static void account_name(unsigned uid, char *out, size_t size)
{
    snprintf(out, size, "uid %u", uid);
    FILE *accounts = fopen("/etc/passwd", "re");
    if (!accounts)
        return;
    char buffer[1024];
    struct passwd entry, *found = NULL;
    while (fgetpwent_r(accounts, &entry, buffer, sizeof buffer, &found) == 0)
        if (entry.pw_uid == uid) {
            snprintf(out, size, "%s", entry.pw_name);
            break;
        }
    fclose(accounts);
}

void tautd_listen_peer(int fd, struct tautd_api_peer *peer)
{
    struct ucred who;
    socklen_t size = sizeof who;
    memset(peer, 0, sizeof *peer);
    if (getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &who, &size) != 0) {
        snprintf(peer->name, sizeof peer->name, "unknown");
        return;
    }
    peer->local = true;
    peer->uid = who.uid;
    peer->gid = who.gid;
    account_name(who.uid, peer->name, sizeof peer->name);
}
