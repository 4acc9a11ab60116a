/**
 * The HTTP side of the daemon: listens, answers, drains. Everything below it is borrowed
 * and must outlive it.
 */
#ifndef SERVER_HTTP_HTTP_H
#define SERVER_HTTP_HTTP_H

#include <stdatomic.h>
#include <stdbool.h>
#include <stdint.h>

#include <jansson.h>

#include "server/base/options.h"
#include "server/base/problem.h"
#include "server/catalogue/catalogue.h"
#include "server/queue/queue.h"
#include "server/store/spool.h"
#include "server/store/store.h"

struct http;

enum http_outcome {
    HTTP_OUTCOME_DONE,    /* *answer is given: json_decref */
    HTTP_OUTCOME_REFUSED, /* *problem holds what the worker said */
    HTTP_OUTCOME_FAILED,  /* it crashed, hung, ran out of memory or was called off */
    HTTP_OUTCOME_UNASKED, /* no worker lives that could be asked */
};

struct http_workers {
    int alive, busy;
    /* replaced since the start, by why */
    unsigned long crashes, timeouts, retired, out_of_memory, violations;
};

/** What the worker processes do for a request; both calls block until *cancel at the
 * latest. deadline_s counts from when a worker takes the request. */
struct http_services {
    void *context;
    enum http_outcome (*inspect)(void *context, int capture, const atomic_bool *cancel,
                                 json_t **answer, struct server_problem *problem);
    enum http_outcome (*render)(void *context, const json_t *request, int output,
                                int deadline_s, const atomic_bool *cancel,
                                json_t **answer, struct server_problem *problem);
    void (*status)(void *context, struct http_workers *ret);
};

struct http_config {
    const struct options *options; /* listen, host_names, max_upload_bytes */
    struct store *store;
    struct spool *spool;
    struct queue *queue;
    const struct catalogue *catalogue;
    struct http_services services;
};

/** Listens and answers from now on. Gives *ret (http_stop). Fails when an address cannot
 * be listened on. */
bool http_start(const struct http_config *config, struct http **ret,
                struct server_problem *problem) __attribute__((warn_unused_result));

/** "http://127.0.0.1:8737" of listener `index`, or NULL past the last. Borrowed. */
const char *http_url(const struct http *http, int index);

/** Takes no more connections, wakes whoever waits, lets requests under way end for a few
 *  seconds, breaks off the rest (an upload broken off is not kept), stops. NULL is
 * accepted. */
void http_stop(struct http *http);

#endif
