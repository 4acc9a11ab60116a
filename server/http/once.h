/**
 * Idempotency-Key: a request that came with a key is obeyed once; repeated with the same
 * key and content, by whoever did not get the answer, it gets the first answer again. The
 * key stands for one request of its tester on its path for LIMIT_KEY_S.
 */
#ifndef SERVER_HTTP_ONCE_H
#define SERVER_HTTP_ONCE_H

#include <stdbool.h>

#include <jansson.h>

#include "server/http/request.h"

/** Before the body is read: refuses a malformed key, OUT_OF_RANGE. */
bool once_begin(struct request *request, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Fills *ret from the request's key and what is asked: two are the same when their JSON
 * is, whatever the order of its members. Takes `asked` over; *ret borrows from the
 * request. False: the request has no key, or memory ran out (*problem is set). */
bool once_key(const struct request *request, json_t *asked, struct store_key *ret,
              struct server_problem *problem) __attribute__((warn_unused_result));

/** KEY_REUSED: what the key made is not there any more. Returns false. */
bool once_gone(const char *made, struct server_problem *problem);

#endif
