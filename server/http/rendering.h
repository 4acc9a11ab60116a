/** A test signal as a file: from those that were rendered before, else rendered by a
 * worker. */
#ifndef SERVER_HTTP_RENDERING_H
#define SERVER_HTTP_RENDERING_H

#include <stdbool.h>

#include <jansson.h>

#include "server/http/request.h"
#include "server/store/rendered.h"

struct rendering {
    const json_t *signal;         /* its description; borrowed */
    json_t *order;                /* what the worker is asked; owned */
    char key[RENDERED_KEY_BYTES]; /* of all that makes the bytes */
};

/** Fills *ret (rendering_free) from the request's query, checked against the signal's
 * description. */
bool rendering_begin(const struct request *request, const json_t *signal,
                     struct rendering *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
void rendering_free(struct rendering *rendering);

const char *rendering_format(const struct rendering *rendering);

/** A descriptor of the signal's file, or −1 with the problem. Blocks while a worker
 * renders; one whose client has left is rendered to its end all the same. */
int rendering_open(struct request *request, const struct rendering *rendering,
                   struct server_problem *problem);

#endif
