/**
 * Which handler a request goes to. Each resource file exports its table of routes, ended
 * by a route without a method.
 */
#ifndef SERVER_HTTP_ROUTER_H
#define SERVER_HTTP_ROUTER_H

#include <stdbool.h>

#include "server/base/problem.h"
#include "server/http/target.h"

struct request;

enum route_body {
    ROUTE_BODY_NONE,
    ROUTE_BODY_JSON,         /* gathered and parsed before the handler runs */
    ROUTE_BODY_JSON_OR_NONE, /* the same, but it may be left out */
    ROUTE_BODY_STREAM,       /* pieces go to the upload that `begin` opened */
};

struct route {
    const char *method; /* "GET" (HEAD comes with it), "POST", "PATCH", "DELETE" */
    const char *path;   /* "/v1/captures/{id}": a part in braces takes any text */
    const char
        *query; /* known parameters, separated by spaces; NULL: the handler checks */
    enum route_body body;
    /* What the interface's own description (GET /v1/openapi.json) says of the route. */
    const char *summary; /* one sentence */
    const char *fields;  /* JSON body: known members, separated by spaces; "name!" must be
                            there. Others are refused before the handler runs. */
    const char *headers; /* request headers that matter to it, separated by spaces, beside
                            those that go with a reply of 304 or 206 */
    const char *replies; /* each success and its schema, separated by commas: "201
                            capture"; "204 -" has no body, "200 audio/wav" is not JSON */
    const char *problems; /* codes, separated by spaces, beside those of every path */
    /** Before the body is read (may be NULL): false refuses the request with *problem. */
    bool (*begin)(struct request *request, struct server_problem *problem);
    /** After the body, on a thread that may block, the connection being suspended (may be
     *  NULL). May set the reply. */
    void (*work)(struct request *request);
    /** On the connection's thread when there is no reply yet (may be NULL): sets the
     * reply, or suspends the request and is called again once it goes on. Must not block.
     */
    void (*answer)(struct request *request);
};

enum { ROUTER_ARGUMENTS_MAX = 2, ROUTER_ALLOWED_BYTES = 64 };

struct router_match {
    const struct route *route;                   /* NULL: answer OPTIONS with `allowed` */
    const char *arguments[ROUTER_ARGUMENTS_MAX]; /* texts of the parts in braces */
    char
        allowed[ROUTER_ALLOWED_BYTES]; /* then the methods of this path: "GET, HEAD, …" */
};

/** NOT_FOUND, or WRONG_METHOD with the allowed ones. `tables` is ended by NULL. */
bool router_match(const struct route *const *tables, const char *method,
                  const struct target *target, struct router_match *ret,
                  struct server_problem *problem) __attribute__((warn_unused_result));

#endif
