/** Listening sockets on loopback addresses. */
#ifndef SERVER_HTTP_LISTENER_H
#define SERVER_HTTP_LISTENER_H

#include <stdbool.h>

#include "server/base/problem.h"

enum { LISTENER_URL_BYTES = 96, LISTENER_HOST_BYTES = 64 };

struct listener {
    int socket;
    char url[LISTENER_URL_BYTES];   /* "http://127.0.0.1:8737", "http://[::1]:8737" */
    char host[LISTENER_HOST_BYTES]; /* "127.0.0.1", "[::1]" */
};

/** Listens on "127.0.0.1:8737", "[::1]:0" or "localhost:0"; port 0 takes a free one. The
 *  socket is the caller's. UNAVAILABLE with a sentence when it cannot. */
bool listener_open(const char *address, struct listener *ret,
                   struct server_problem *problem) __attribute__((warn_unused_result));

#endif
