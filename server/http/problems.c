/* GET /v1/problems and /v1/problems/CODE: what a code means and what to do about it. */
#include <stdio.h>

#include "server/http/reply.h"
#include "server/http/resources.h"

enum { LINK_BYTES = 64 };

static json_t *described(enum server_problem_code code)
{
    const struct server_problem_meaning *meaning = server_problem_meaning(code);
    char self[LINK_BYTES];
    snprintf(self, sizeof self, "/v1/problems/%s", meaning->code);
    json_t *status = meaning->status == 0 ? json_null() : json_integer(meaning->status);
    return json_pack("{s:s, s:s, s:o, s:s, s:s, s:{s:s}}", "code", meaning->code, "title",
                     meaning->title, "status", status, "meaning", meaning->meaning,
                     "remedy", meaning->remedy, "links", "self", self);
}

static void answer_list(struct request *request)
{
    json_t *items = json_array();
    for (int code = SERVER_PROBLEM_NONE + 1; code < SERVER_PROBLEM_CODES; code++)
        json_array_append_new(items, described((enum server_problem_code)code));
    reply_json(
        request, MHD_HTTP_OK,
        json_pack("{s:o, s:{s:s}}", "problems", items, "links", "self", "/v1/problems"));
}

static void answer_item(struct request *request)
{
    const char *text = request_argument(request, 0);
    enum server_problem_code code = server_problem_from_text(text);
    if (code != SERVER_PROBLEM_NONE) {
        reply_json(request, MHD_HTTP_OK, described(code));
        return;
    }
    struct server_problem problem = {0};
    server_problem_set(&problem, SERVER_PROBLEM_NOT_FOUND, "",
                       "There is no problem \"%.40s\"; GET /v1/problems lists them.",
                       text);
    reply_problem(request, &problem);
}

const struct route problems_routes[] = {
    {.method = "GET",
     .path = "/v1/problems",
     .query = "",
     .summary = "Lists every code a problem can have.",
     .replies = "200 problem_meanings",
     .answer = answer_list},
    {.method = "GET",
     .path = "/v1/problems/{code}",
     .query = "",
     .summary = "Tells what a code means and what to do about it at the bench.",
     .replies = "200 problem_meaning",
     .problems = "not_found",
     .answer = answer_item},
    {0},
};
