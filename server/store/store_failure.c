/* How rows keep a problem: store_failure_* of store.h. */
#include "server/store/store.h"

#include <jansson.h>

char *store_failure_text(const struct server_problem *problem)
{
    const struct server_problem_meaning *meaning = server_problem_meaning(problem->code);
    json_t *field = problem->field[0] ? json_string(problem->field) : NULL;
    json_t *object = json_pack("{s:s, s:s, s:s, s:o*}", "code", meaning->code, "title",
                               meaning->title, "detail", problem->detail, "field", field);
    char *text = json_dumps(object, JSON_COMPACT);
    json_decref(object);
    return text;
}

bool store_failure_read(const char *text, struct server_problem *ret)
{
    json_t *object = text != NULL ? json_loads(text, 0, NULL) : NULL;
    const char *code = json_string_value(json_object_get(object, "code"));
    const char *detail = json_string_value(json_object_get(object, "detail"));
    const char *field = json_string_value(json_object_get(object, "field"));
    struct server_problem read = {0};
    if (code != NULL && detail != NULL)
        server_problem_set(&read, server_problem_from_text(code), field, "%s", detail);
    json_decref(object);
    if (read.code == SERVER_PROBLEM_NONE)
        return false;
    *ret = read;
    return true;
}
