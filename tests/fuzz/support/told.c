#include "tests/fuzz/support/told.h"

#include <assert.h>

#include "server/http/reply.h"

bool told(bool good, const struct server_problem *problem)
{
    assert(good == (problem->code == SERVER_PROBLEM_NONE));
    json_t *detail = reply_text(problem->detail), *field = reply_text(problem->field);
    assert(detail && field && (good || problem->detail[0] != '\0'));
    json_decref(detail);
    json_decref(field);
    return good;
}
