/**
 * Checks of a request's header that the parser below does not make: what could be read in
 * two ways, more headers than anybody needs, names of hosts that are not ours (DNS
 * rebinding), and unsafe requests that a foreign page makes a browser send. Pure.
 */
#ifndef SERVER_HTTP_HEADERS_H
#define SERVER_HTTP_HEADERS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "server/base/problem.h"

/** A header that may come in several lines, which are one list; lines beyond the last of
 * these are not looked at. */
enum { HEADERS_LINES_MAX = 4 };
struct headers_lines {
    const char *lines[HEADERS_LINES_MAX];
    int count;
};

/** What the header says; texts are borrowed from the connection. NULL: not there. */
struct headers {
    int count;
    const char *host, *origin, *content_length, *content_encoding, *transfer_encoding;
    const char *content_digest, *expect, *range, *if_range, *idempotency_key;
    const char *if_match, *if_unmodified_since;
    struct headers_lines accept, if_none_match;
    int prefer_wait_s;           /* −1: no wish */
    struct server_problem fault; /* the first one met while taking them in */
};

struct headers headers_empty(void);
/** Takes one field in. */
void headers_take(struct headers *headers, const char *name, const char *value);

struct headers_check {
    const char *authority;    /* of an absolute-form target, or NULL */
    const char *const *hosts; /* names without port that are ours, ended by NULL */
    bool host_required;       /* HTTP/1.1 */
    bool unsafe;              /* the method changes something */
};

/** BAD_REQUEST, WRONG_HOST or FORBIDDEN. */
bool headers_check(const struct headers *headers, const struct headers_check *check,
                   struct server_problem *problem) __attribute__((warn_unused_result));

/** Bytes the body is declared to have: −1 chunked, 0 none, INT64_MAX more than that. */
int64_t headers_body_bytes(const struct headers *headers);

#endif
