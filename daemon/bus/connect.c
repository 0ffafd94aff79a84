#include "bus/connect.h"

#include <errno.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

/* A look-up can hang far longer than anybody wants to wait, and can not always be ended: then it is left to itself. */
struct tautd_lookup {
    struct gaicb request;
    struct addrinfo hints;
    char host[128], port[8];
};

static struct tautd_lookup *start(const struct tautd_line_config *line)
{
    struct tautd_lookup *l = calloc(1, sizeof *l);
    if (!l)
        return NULL;
    snprintf(l->host, sizeof l->host, "%s", line->host);
    snprintf(l->port, sizeof l->port, "%d", line->port);
    l->hints = (struct addrinfo){.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICSERV};
    l->request = (struct gaicb){.ar_name = l->host, .ar_service = l->port, .ar_request = &l->hints};
    struct gaicb *list[] = {&l->request};
    if (getaddrinfo_a(GAI_NOWAIT, list, 1, NULL) != 0) {
        free(l);
        return NULL;
    }
    return l;
}

int tautd_connect_resolve(const struct tautd_line_config *line, struct tautd_lookup **lookup, struct addrinfo **out)
{
    struct addrinfo hints = {.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM, .ai_flags = AI_NUMERICHOST | AI_NUMERICSERV};
    char port[8];
    snprintf(port, sizeof port, "%d", line->port);
    if (!*lookup && getaddrinfo(line->host, port, &hints, out) == 0)
        return 0;
    if (!*lookup && !(*lookup = start(line)))
        return EAI_MEMORY;
    int error = gai_error(&(*lookup)->request);
    if (error == EAI_INPROGRESS)
        return error;
    *out = error == 0 ? (*lookup)->request.ar_result : NULL;
    free(*lookup);
    *lookup = NULL;
    return error;
}

void tautd_connect_forget(struct tautd_lookup *lookup)
{
    if (!lookup)
        return;
    if (gai_cancel(&lookup->request) == EAI_NOTCANCELED)
        return; /* it runs on and needs its memory: the one leak of a program that is about to end */
    if (lookup->request.ar_result)
        freeaddrinfo(lookup->request.ar_result);
    free(lookup);
}

static void set(int fd, int level, int option, int value)
{
    (void)!setsockopt(fd, level, option, &value, sizeof value); /* each of them only makes things better */
}

int tautd_connect_begin(const struct addrinfo *to, double timeout_s, int *error)
{
    int fd = socket(to->ai_family, to->ai_socktype | SOCK_CLOEXEC | SOCK_NONBLOCK, to->ai_protocol);
    if (fd < 0) {
        *error = errno;
        return -1;
    }
    set(fd, IPPROTO_TCP, TCP_NODELAY, 1);
    /* a peer that has vanished is noticed between polls as well, however rare they are */
    set(fd, SOL_SOCKET, SO_KEEPALIVE, 1);
    set(fd, IPPROTO_TCP, TCP_KEEPIDLE, 10);
    set(fd, IPPROTO_TCP, TCP_KEEPINTVL, 5);
    set(fd, IPPROTO_TCP, TCP_KEEPCNT, 2);
    set(fd, IPPROTO_TCP, TCP_USER_TIMEOUT, timeout_s > 1.0 ? (int)(timeout_s * 2000) : 2000);
    *error = connect(fd, to->ai_addr, to->ai_addrlen) == 0 ? 0 : errno;
    if (*error == 0 || *error == EINPROGRESS)
        return fd;
    close(fd);
    return -1;
}

const char *tautd_connect_why(int error)
{
    switch (error) {
    case ECONNREFUSED:
        return "connection refused; is Modbus TCP switched on there, on this port, and a connection free?";
    case ETIMEDOUT:
        return "no answer to the connection request; is the address right and the cable in?";
    case EHOSTUNREACH:
    case ENETUNREACH:
        return "no way to this address; check network, address and mask";
    default:
        return strerror(error);
    }
}
