#include "server/http/admission.h"

#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "server/base/limits.h"
#include "server/http/resources.h"

static bool is_unsafe(const char *method)
{
    return strcmp(method, "GET") != 0 && strcmp(method, "HEAD") != 0 &&
           strcmp(method, "OPTIONS") != 0;
}

static bool check_length(struct request *request, struct server_problem *problem)
{
    enum route_body body = request->match.route->body;
    bool json = body == ROUTE_BODY_JSON || body == ROUTE_BODY_JSON_OR_NONE;
    int64_t bytes = headers_body_bytes(&request->headers);
    if (!json || bytes <= LIMIT_JSON_BODY_BYTES)
        return true;
    problem->limit_bytes = LIMIT_JSON_BODY_BYTES;
    return server_problem_set(
        problem, SERVER_PROBLEM_TOO_LARGE, "",
        "The JSON body is declared with %lld bytes; at most %d bytes "
        "are read.",
        (long long)bytes, LIMIT_JSON_BODY_BYTES);
}

static bool check_coding(struct request *request, struct server_problem *problem)
{
    const char *coding = request->headers.content_encoding;
    if (coding == NULL || strcasecmp(coding, "identity") == 0)
        return true;
    return server_problem_set(
        problem, SERVER_PROBLEM_UNSUPPORTED_FORMAT, "Content-Encoding",
        "The content coding \"%.60s\" is not read here; send the bytes "
        "themselves.",
        coding);
}

/* What hangs on a condition is not done without a look at it (RFC 9110, section 13.1). Of
 * those, only If-None-Match is looked at, and only where nothing is changed. */
static bool check_unconditional(const struct request *request,
                                struct server_problem *problem)
{
    const struct headers *headers = &request->headers;
    const char *name = headers->if_match != NULL              ? "If-Match"
                       : !request->unsafe                     ? NULL
                       : headers->if_none_match.count > 0     ? "If-None-Match"
                       : headers->if_unmodified_since != NULL ? "If-Unmodified-Since"
                                                              : NULL;
    return name == NULL ||
           server_problem_set(problem, SERVER_PROBLEM_BAD_REQUEST, name,
                              "The header %s is not served with %s; leave it out, and "
                              "the request is obeyed whatever came before it.",
                              name, request->unsafe ? "changes" : "reading");
}

/* Where it goes, and whether it may go there now. */
static bool check_route(struct request *request, const char *method,
                        struct server_problem *problem)
{
    if (strcmp(request->raw_target, "*") == 0 && strcmp(method, "OPTIONS") == 0) {
        snprintf(request->match.allowed, sizeof request->match.allowed,
                 "GET, HEAD, POST, PATCH, DELETE, OPTIONS");
        return true;
    }
    if (!router_match(resources_tables, method, &request->target, &request->match,
                      problem))
        return false;
    const struct route *route = request->match.route;
    if (route == NULL)
        return true;
    if (request->unsafe && atomic_load(&request->shared->stopping))
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "The daemon is stopping; try again once it runs.");
    if (!check_unconditional(request, problem))
        return false;
    if (route->query != NULL &&
        !target_check_known(&request->target, route->query, problem))
        return false;
    if (route->body != ROUTE_BODY_NONE &&
        !(check_coding(request, problem) && check_length(request, problem)))
        return false;
    return route->begin == NULL || route->begin(request, problem);
}

bool admission_check(struct request *request, const char *method, const char *version,
                     struct server_problem *problem)
{
    struct server_problem target_problem = {0};
    request->unsafe = is_unsafe(method);
    bool parsed = target_parse(request->raw_target, &request->target, &target_problem);
    const struct headers_check check = {
        .authority = request->target.authority,
        .hosts = request->shared->hosts,
        .host_required = strcmp(version, MHD_HTTP_VERSION_1_1) == 0,
        .unsafe = request->unsafe,
    };
    /* First, since a doubtful header leaves open where the body ends. */
    if (!headers_check(&request->headers, &check, problem)) {
        request->doubtful = problem->code == SERVER_PROBLEM_BAD_REQUEST;
        return false;
    }
    if (!parsed) {
        *problem = target_problem;
        return false;
    }
    return check_route(request, method, problem);
}
