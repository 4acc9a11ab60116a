/**
 * Which connections are open, and since when each asks for nothing. Whoever connects and
 * never sends a whole header, or keeps a connection for later, must not shut others out:
 * such a connection ends after a while, and before that when connections run short.
 *
 * Ending is shutdown() of the socket; the library then closes the connection itself.
 */
#ifndef SERVER_HTTP_CONNECTIONS_H
#define SERVER_HTTP_CONNECTIONS_H

#include <stdbool.h>
#include <stdint.h>

#include "server/base/problem.h"

struct connections;
struct connection;

struct connections_config {
    int limit;       /* how many the library takes in all */
    int64_t new_ms;  /* time for the first request's whole header */
    int64_t idle_ms; /* time for each further one, since the last answer */
};

bool connections_start(const struct connections_config *config, struct connections **ret,
                       struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Every connection has been removed. NULL is accepted. */
void connections_stop(struct connections *connections);

/** A connection by `file` has come. When it is one of the last eighth of the limit, the
 * one that has been idle longest is ended. Gives (connections_remove), or NULL without
 * memory: such a connection is left alone. */
struct connection *connections_add(struct connections *connections, int file);
/** Before `file` is closed. NULL is accepted here and below. */
void connections_remove(struct connections *connections, struct connection *connection);

/** A request's header is whole; its answer is out. */
void connections_begin(struct connection *connection);
void connections_end(struct connection *connection);

/** Whether the client has ended its sending, everything being read; then the library is
 * made to see it. By itself it would not, where that end came together with the last
 * bytes: it reads until a read comes back short, then waits for the next event of an
 * edge-triggered poll. Idle connections are looked at now and then without a call. */
bool connections_notice_end(int file);

/** How many connections each of `listeners` may have, so that the descriptors this
 * process may open (RLIMIT_NOFILE) suffice for all of them and for `reserved` others. At
 * least `least`. */
int connections_limit(int listeners, int reserved, int least);

#endif
