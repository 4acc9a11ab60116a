/**
 * What went wrong in the world, in the terms of the interface: a code of the table below
 * (with its HTTP status and title), the field concerned, and one sentence with the
 * numbers. The first one wins; nothing is allocated.
 */
#ifndef SERVER_BASE_PROBLEM_H
#define SERVER_BASE_PROBLEM_H

#include <stdbool.h>
#include <stdint.h>

enum server_problem_code {
    SERVER_PROBLEM_NONE,
    /* HTTP problems */
    SERVER_PROBLEM_BAD_REQUEST, /* not HTTP as it should be: twice a Host, a bad escape …
                                 */
    SERVER_PROBLEM_BAD_JSON,
    SERVER_PROBLEM_BODY_MANGLED,
    SERVER_PROBLEM_DIGEST_MISMATCH,
    SERVER_PROBLEM_FORBIDDEN,
    SERVER_PROBLEM_NOT_FOUND,
    SERVER_PROBLEM_NOT_READY,
    SERVER_PROBLEM_WRONG_METHOD,
    SERVER_PROBLEM_CONFLICT,
    SERVER_PROBLEM_NO_RESULT,
    SERVER_PROBLEM_AUDIO_EXPIRED,
    SERVER_PROBLEM_TOO_LARGE,
    SERVER_PROBLEM_NOT_AUDIO,
    SERVER_PROBLEM_UNSUPPORTED_FORMAT,
    SERVER_PROBLEM_RANGE_NOT_SATISFIABLE,
    SERVER_PROBLEM_WRONG_HOST,
    SERVER_PROBLEM_NO_AUDIO,
    SERVER_PROBLEM_UNKNOWN_FIELD,
    SERVER_PROBLEM_MISSING_FIELD,
    SERVER_PROBLEM_OUT_OF_RANGE,
    SERVER_PROBLEM_KEY_REUSED,
    SERVER_PROBLEM_QUEUE_FULL,
    SERVER_PROBLEM_UNAVAILABLE,
    SERVER_PROBLEM_DISK_FULL,
    /* only inside failed analyses */
    SERVER_PROBLEM_NOT_MEASURABLE,
    SERVER_PROBLEM_WRONG_SIGNAL,
    SERVER_PROBLEM_NOT_FINITE,
    SERVER_PROBLEM_WORKER_CRASHED,
    SERVER_PROBLEM_TIMED_OUT,
    SERVER_PROBLEM_OUT_OF_MEMORY,
    SERVER_PROBLEM_CONFINEMENT,
    SERVER_PROBLEM_CODES, /* how many */
};

struct server_problem {
    enum server_problem_code code;
    char field[64];       /* "" when no field is concerned */
    char detail[400];     /* one sentence, with the numbers, their units and what to do */
    uint64_t limit_bytes; /* 0 when it does not apply */
    char allowed[128];    /* "" or a comma-separated list, e.g. the allowed methods */
};

struct server_problem_meaning {
    const char *code; /* as the interface spells it */
    int status;       /* HTTP status; 0 for those only inside failed analyses */
    const char *title;
    const char *meaning; /* what has happened, in a sentence or two */
    const char *remedy;  /* what to do about it at the bench */
};

/** The one table from codes to HTTP. */
const struct server_problem_meaning *
server_problem_meaning(enum server_problem_code code);

/** The code spelt `text`, or SERVER_PROBLEM_NONE. */
enum server_problem_code server_problem_from_text(const char *text);

/** Fills *problem unless it holds one already; always returns false. problem may be NULL.
 */
bool server_problem_set(struct server_problem *problem, enum server_problem_code code,
                        const char *field, const char *format, ...)
    __attribute__((format(printf, 4, 5)));

#endif
