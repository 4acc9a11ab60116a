#include "server/http/router.h"

#include <stdio.h>
#include <string.h>

/* Compares a pattern with the segments of the target; gives the parts in braces. */
static bool path_matches(const char *pattern, const struct target *target,
                         const char *arguments[ROUTER_ARGUMENTS_MAX])
{
    int segment = 0, argument = 0;
    while (*pattern == '/') {
        pattern++;
        size_t length = strcspn(pattern, "/");
        if (segment == target->segment_count)
            return false;
        const char *text = target->segments[segment++];
        if (*pattern == '{') {
            if (*text == '\0' || argument == ROUTER_ARGUMENTS_MAX)
                return false;
            arguments[argument++] = text;
        } else if (strlen(text) != length || memcmp(text, pattern, length) != 0) {
            return false;
        }
        pattern += length;
    }
    return segment == target->segment_count;
}

static void add_allowed(char allowed[ROUTER_ALLOWED_BYTES], const char *method)
{
    size_t used = strlen(allowed);
    snprintf(allowed + used, ROUTER_ALLOWED_BYTES - used, "%s%s", used > 0 ? ", " : "",
             strcmp(method, "GET") == 0 ? "GET, HEAD" : method);
}

static bool find(const struct route *const *tables, const char *method,
                 const struct target *target, struct router_match *match)
{
    const char *wanted = strcmp(method, "HEAD") == 0 ? "GET" : method;
    for (; *tables != NULL; tables++)
        for (const struct route *route = *tables; route->method != NULL; route++)
            if (strcmp(route->method, wanted) == 0 &&
                path_matches(route->path, target, match->arguments)) {
                match->route = route;
                return true;
            }
    return false;
}

bool router_match(const struct route *const *tables, const char *method,
                  const struct target *target, struct router_match *ret,
                  struct server_problem *problem)
{
    struct router_match match = {0};
    if (find(tables, method, target, &match)) {
        *ret = match;
        return true;
    }
    for (; *tables != NULL; tables++)
        for (const struct route *route = *tables; route->method != NULL; route++)
            if (path_matches(route->path, target, match.arguments))
                add_allowed(match.allowed, route->method);
    if (match.allowed[0] == '\0')
        return server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, "",
                                  "There is nothing at this path; GET /v1/ lists what is "
                                  "there.");
    add_allowed(match.allowed, "OPTIONS");
    if (strcmp(method, "OPTIONS") != 0) {
        if (problem != NULL && problem->code == SERVER_PROBLEM_NONE)
            memcpy(problem->allowed, match.allowed, sizeof match.allowed);
        return server_problem_set(problem, SERVER_PROBLEM_WRONG_METHOD, "",
                                  "%.20s is not served at this path; use %s.", method,
                                  match.allowed);
    }
    *ret = match;
    return true;
}
