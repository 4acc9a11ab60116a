#include "analysis/core/problem.h"

#include <assert.h>
#include <stdarg.h>
#include <stdio.h>

#include "analysis/core/text.h"

static void set_field(struct problem *problem, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void set_field(struct problem *problem, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    text_format(problem->field, sizeof problem->field, format, arguments);
    va_end(arguments);
}

bool problem_set(struct problem *problem, enum problem_kind kind, const char *field,
                 const char *format, ...)
{
    assert(kind > PROBLEM_NONE && kind < PROBLEM_KINDS);
    if (problem->kind != PROBLEM_NONE)
        return false;
    problem->kind = kind;
    set_field(problem, "%s", field ? field : "");
    va_list arguments;
    va_start(arguments, format);
    text_format(problem->detail, sizeof problem->detail, format, arguments);
    va_end(arguments);
    return false;
}

const char *problem_code(enum problem_kind kind)
{
    static const char *const codes[PROBLEM_KINDS] = {
        [PROBLEM_NONE] = "none",
        [PROBLEM_NOT_AUDIO] = "not_audio",
        [PROBLEM_UNSUPPORTED_FORMAT] = "unsupported_format",
        [PROBLEM_NO_AUDIO] = "no_audio",
        [PROBLEM_UNKNOWN_FIELD] = "unknown_field",
        [PROBLEM_MISSING_FIELD] = "missing_field",
        [PROBLEM_OUT_OF_RANGE] = "out_of_range",
        [PROBLEM_NOT_MEASURABLE] = "not_measurable",
        [PROBLEM_WRONG_SIGNAL] = "wrong_signal",
        [PROBLEM_NOT_FINITE] = "not_finite",
        [PROBLEM_OUT_OF_MEMORY] = "out_of_memory",
        [PROBLEM_DISK_FULL] = "disk_full",
        [PROBLEM_IO] = "unavailable",
    };
    assert(kind >= PROBLEM_NONE && kind < PROBLEM_KINDS);
    return codes[kind];
}
