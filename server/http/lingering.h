/**
 * Connections that were answered before their request was read to its end. Closed at
 * once, they would be reset by what still arrives, and the reset takes the answer away
 * from a client that sends before it reads. So what arrives is read and dropped for a
 * while: one thread for all of them, each bounded in time, silence and bytes, and all in
 * number.
 */
#ifndef SERVER_HTTP_LINGERING_H
#define SERVER_HTTP_LINGERING_H

#include <stdbool.h>
#include <stdint.h>

#include "server/base/problem.h"

struct lingering;

struct lingering_config {
    int sockets;       /* at a time; one more ends the oldest */
    int64_t time_ms;   /* of each, in all */
    int64_t silent_ms; /* of each, without a byte */
    uint64_t bytes;    /* of each */
};

bool lingering_start(const struct lingering_config *config, struct lingering **ret,
                     struct server_problem *problem) __attribute__((warn_unused_result));
/** Ends all of them. NULL is accepted. */
void lingering_stop(struct lingering *lingering);

/** Takes a duplicate of `socket`, whose answer is sent or about to be closed by the
 * caller: the connection ends when the client ends it, or a bound is reached. */
void lingering_add(struct lingering *lingering, int socket);

#endif
