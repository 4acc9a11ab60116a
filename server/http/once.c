#include "server/http/once.h"

#include <stdlib.h>

#include "server/base/clock.h"

static const char field[] = "Idempotency-Key";

bool once_begin(struct request *request, struct server_problem *problem)
{
    const char *key = request->headers.idempotency_key;
    return key == NULL || values_key(field, key, problem);
}

bool once_key(const struct request *request, json_t *asked, struct store_key *ret,
              struct server_problem *problem)
{
    const char *key = request->headers.idempotency_key;
    char *text =
        key == NULL
            ? NULL
            : json_dumps(asked, JSON_COMPACT | JSON_SORT_KEYS | JSON_REAL_PRECISION(17));
    json_decref(asked);
    if (key == NULL)
        return false;
    if (text == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, field,
                                  "There is no memory to compare the request with the "
                                  "first one of its key; try again later.");
    *ret = (struct store_key){
        .tester = REQUEST_TESTER,
        .path = request->match.route->path,
        .key = key,
        .now_ms = clock_wall_ms(),
    };
    store_key_digest(text, ret->asked);
    free(text);
    return true;
}

bool once_gone(const char *made, struct server_problem *problem)
{
    return server_problem_set(problem, SERVER_PROBLEM_KEY_REUSED, field,
                              "What this key made, %s, has been deleted since; give the "
                              "request another key to make it anew.",
                              made);
}
