#include "server/http/listener.h"

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/socket.h>
#include <unistd.h>

enum { BACKLOG = 511 };

union address {
    struct sockaddr any;
    struct sockaddr_in v4;
    struct sockaddr_in6 v6;
};

/* No name is looked up: "localhost" is 127.0.0.1 here. */
static bool parse(const char *text, union address *ret, socklen_t *ret_length)
{
    char host[LISTENER_HOST_BYTES];
    const char *colon = strrchr(text, ':');
    size_t length = colon == NULL ? 0 : (size_t)(colon - text);
    if (length == 0 || length >= sizeof host)
        return false;
    memcpy(host, text, length);
    host[length] = '\0';
    char *end;
    unsigned long port = strtoul(colon + 1, &end, 10);
    if (colon[1] == '\0' || *end != '\0' || port > 65535)
        return false;

    memset(ret, 0, sizeof *ret);
    if (host[0] == '[' && host[length - 1] == ']') {
        host[length - 1] = '\0';
        ret->v6.sin6_family = AF_INET6;
        ret->v6.sin6_port = htons((uint16_t)port);
        *ret_length = sizeof ret->v6;
        return inet_pton(AF_INET6, host + 1, &ret->v6.sin6_addr) == 1;
    }
    ret->v4.sin_family = AF_INET;
    ret->v4.sin_port = htons((uint16_t)port);
    *ret_length = sizeof ret->v4;
    const char *number = strcasecmp(host, "localhost") == 0 ? "127.0.0.1" : host;
    return inet_pton(AF_INET, number, &ret->v4.sin_addr) == 1;
}

static void describe(const union address *address, struct listener *ret)
{
    char number[INET6_ADDRSTRLEN];
    bool v6 = address->any.sa_family == AF_INET6;
    inet_ntop(address->any.sa_family,
              v6 ? (const void *)&address->v6.sin6_addr : &address->v4.sin_addr, number,
              sizeof number);
    snprintf(ret->host, sizeof ret->host, v6 ? "[%s]" : "%s", number);
    snprintf(ret->url, sizeof ret->url, "http://%s:%u", ret->host,
             ntohs(v6 ? address->v6.sin6_port : address->v4.sin_port));
}

bool listener_open(const char *address, struct listener *ret,
                   struct server_problem *problem)
{
    union address bound;
    socklen_t length;
    if (!parse(address, &bound, &length))
        return server_problem_set(
            problem, SERVER_PROBLEM_UNAVAILABLE, "listen",
            "\"%.100s\" is not ADDRESS:PORT of this machine's loopback, "
            "such as 127.0.0.1:8737 or [::1]:8737.",
            address);
    int on = 1;
    int file = socket(bound.any.sa_family, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    if (file < 0 || setsockopt(file, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on) != 0 ||
        bind(file, &bound.any, length) != 0 || listen(file, BACKLOG) != 0 ||
        getsockname(file, &bound.any, &length) != 0) {
        int error = errno;
        if (file >= 0)
            close(file);
        return server_problem_set(
            problem, SERVER_PROBLEM_UNAVAILABLE, "listen",
            "Cannot listen on %.100s: %s%s.", address, strerror(error),
            error == EADDRINUSE ? "; choose another port, or 0 for a "
                                  "free one"
                                : "");
    }
    ret->socket = file;
    describe(&bound, ret);
    return true;
}
