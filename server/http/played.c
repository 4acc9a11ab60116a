#include "server/http/played.h"

#include <stdio.h>
#include <string.h>

#include "server/http/body.h"
#include "server/http/described.h"

static const char field[] = "signal";

static bool refuse_shape(struct server_problem *problem)
{
    return server_problem_set(
        problem, SERVER_PROBLEM_OUT_OF_RANGE, field,
        "signal must be a JSON object, such as "
        "{\"name\":\"tone\",\"parameters\":{\"frequency_hz\":997}}.");
}

static bool check(const json_t *signal, const struct catalogue *catalogue,
                  struct server_problem *problem)
{
    if (!json_is_object(signal))
        return refuse_shape(problem);
    if (!body_check_fields(signal, "name! parameters", problem))
        return false;
    const char *name = json_string_value(json_object_get(signal, "name"));
    const json_t *parameters = json_object_get(signal, "parameters");
    if (name == NULL || (parameters != NULL && !json_is_object(parameters)))
        return refuse_shape(problem);
    const json_t *described;
    if (!described_find_signal(catalogue, name, field, &described, problem))
        return false;
    return parameters == NULL ||
           catalogue_check_parameters(described, parameters, problem);
}

/* An order has settings too, of the same names as parameters. */
static bool within_signal(struct server_problem *problem)
{
    struct server_problem found = *problem;
    if (strcmp(found.field, field) != 0)
        snprintf(problem->detail, sizeof problem->detail, "In signal: %.380s",
                 found.detail);
    return false;
}

bool played_read(const json_t *signal, const struct catalogue *catalogue, char **ret,
                 struct server_problem *problem)
{
    *ret = NULL;
    if (json_is_null(signal))
        return true;
    if (!check(signal, catalogue, problem))
        return within_signal(problem);
    json_t *parameters = json_object_get(signal, "parameters");
    json_t *stored =
        json_pack("{s:O, s:o}", "name", json_object_get(signal, "name"), "parameters",
                  parameters != NULL ? json_incref(parameters) : json_object());
    *ret = json_dumps(stored, JSON_COMPACT | JSON_REAL_PRECISION(17) | JSON_SORT_KEYS);
    json_decref(stored);
    return *ret != NULL ||
           server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, field,
                              "There is no memory to read the signal; try again later.");
}

bool played_read_text(const char *text, const struct catalogue *catalogue, char **ret,
                      struct server_problem *problem)
{
    *ret = NULL;
    if (text == NULL || strcmp(text, "null") == 0)
        return true;
    struct server_problem said = {0};
    const struct body body = {(char *)text, strlen(text)};
    json_t *signal = NULL;
    if (!body_parse(&body, &signal, &said))
        return refuse_shape(problem);
    bool read = played_read(signal, catalogue, ret, problem);
    json_decref(signal);
    return read;
}
