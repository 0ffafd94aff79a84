/** @file listen.h  Listening sockets of the API, and who is at the other end. */
#ifndef TAUTD_WEB_LISTEN_H
#define TAUTD_WEB_LISTEN_H

#include <sys/types.h>

#include "config/config.h"
#include "web/api.h"

/** The socket file, so that only our own is ever removed. */
struct tautd_listen_file {
    char path[TAUTD_PATH_MAX];
    dev_t device;
    ino_t inode;
};

/** Make the Unix socket: mode 0660, group as configured. A file of a daemon that is gone is replaced; one that
 *  somebody listens on is not.  @return descriptor, or -1 with *diag */
int tautd_listen_unix(const char *path, const char *group, struct tautd_listen_file *file, struct taut_diag *diag);

/** Remove the socket file if it is still the one that was made. */
void tautd_listen_remove(const struct tautd_listen_file *file);

/** Listen on a loopback address ("127.0.0.1", "::1", "localhost"); any other address is refused.
 *  @param port  0 for any free one.  @return descriptor, or -1 with *diag */
int tautd_listen_tcp(const char *address, int port, struct taut_diag *diag);

/** Port a TCP socket is bound to; 0 when it can not be told. */
int tautd_listen_port(int fd);

/** Who is at the other end of a connection of the Unix socket: the kernel's word for the account, its name from
 *  the local account file ("uid 1000" when it is not there; network directories are not asked, they might block). */
void tautd_listen_peer(int fd, struct tautd_api_peer *peer);

#endif
