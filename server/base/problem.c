#include "server/base/problem.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static const struct server_problem_meaning meanings[SERVER_PROBLEM_CODES] = {
    [SERVER_PROBLEM_NONE] = {"none", 0, "No problem"},
    [SERVER_PROBLEM_BAD_REQUEST] = {"bad_request", 400,
                                    "The request is not HTTP as it should be"},
    [SERVER_PROBLEM_BAD_JSON] = {"bad_json", 400, "The body is not the JSON expected"},
    [SERVER_PROBLEM_BODY_MANGLED] = {"body_mangled", 400,
                                     "The body was altered on its way"},
    [SERVER_PROBLEM_DIGEST_MISMATCH] = {"digest_mismatch", 400,
                                        "The body does not match its digest"},
    [SERVER_PROBLEM_FORBIDDEN] = {"forbidden", 403, "This request is not allowed"},
    [SERVER_PROBLEM_NOT_FOUND] = {"not_found", 404, "There is nothing here"},
    [SERVER_PROBLEM_NOT_READY] = {"not_ready", 404, "The result is not ready yet"},
    [SERVER_PROBLEM_WRONG_METHOD] = {"wrong_method", 405,
                                     "This method is not served here"},
    [SERVER_PROBLEM_CONFLICT] = {"conflict", 409,
                                 "The present state does not allow this"},
    [SERVER_PROBLEM_NO_RESULT] = {"no_result", 410, "There will be no result"},
    [SERVER_PROBLEM_AUDIO_EXPIRED] = {"audio_expired", 410,
                                      "The recording's file is not there any more"},
    [SERVER_PROBLEM_TOO_LARGE] = {"too_large", 413, "The body is too large"},
    [SERVER_PROBLEM_NOT_AUDIO] = {"not_audio", 415, "The body is not an audio file"},
    [SERVER_PROBLEM_UNSUPPORTED_FORMAT] = {"unsupported_format", 415,
                                           "This audio format is not supported"},
    [SERVER_PROBLEM_RANGE_NOT_SATISFIABLE] = {"range_not_satisfiable", 416,
                                              "The range lies outside the file"},
    [SERVER_PROBLEM_WRONG_HOST] = {"wrong_host", 421,
                                   "The request names another host than this one"},
    [SERVER_PROBLEM_NO_AUDIO] = {"no_audio", 422, "The file holds no audio"},
    [SERVER_PROBLEM_UNKNOWN_FIELD] = {"unknown_field", 422,
                                      "A field of the request is not known"},
    [SERVER_PROBLEM_MISSING_FIELD] = {"missing_field", 422,
                                      "A field of the request is missing"},
    [SERVER_PROBLEM_OUT_OF_RANGE] = {"out_of_range", 422,
                                     "A value of the request is out of range"},
    [SERVER_PROBLEM_QUEUE_FULL] = {"queue_full", 429, "Too many analyses are waiting"},
    [SERVER_PROBLEM_UNAVAILABLE] = {"unavailable", 503,
                                    "The service cannot answer at present"},
    [SERVER_PROBLEM_DISK_FULL] = {"disk_full", 507, "The disk is full"},
    [SERVER_PROBLEM_NOT_MEASURABLE] = {"not_measurable", 0,
                                       "The recording cannot be measured this way"},
    [SERVER_PROBLEM_WRONG_SIGNAL] = {"wrong_signal", 0,
                                     "The recording holds another signal"},
    [SERVER_PROBLEM_NOT_FINITE] = {"not_finite", 0,
                                   "A sample is infinite or not a number"},
    [SERVER_PROBLEM_WORKER_CRASHED] = {"worker_crashed", 0, "The analysis crashed"},
    [SERVER_PROBLEM_TIMED_OUT] = {"timed_out", 0, "The analysis took too long"},
    [SERVER_PROBLEM_OUT_OF_MEMORY] = {"out_of_memory", 0,
                                      "The analysis needed too much memory"},
};

const struct server_problem_meaning *server_problem_meaning(enum server_problem_code code)
{
    return &meanings[code];
}

enum server_problem_code server_problem_from_text(const char *text)
{
    for (int code = SERVER_PROBLEM_NONE + 1; code < SERVER_PROBLEM_CODES; code++)
        if (strcmp(meanings[code].code, text) == 0)
            return (enum server_problem_code)code;
    return SERVER_PROBLEM_NONE;
}

bool server_problem_set(struct server_problem *problem, enum server_problem_code code,
                        const char *field, const char *format, ...)
{
    if (problem == NULL || problem->code != SERVER_PROBLEM_NONE)
        return false;
    problem->code = code;
    snprintf(problem->field, sizeof problem->field, "%s", field ? field : "");
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(problem->detail, sizeof problem->detail, format, arguments);
    va_end(arguments);
    return false;
}
