/**
 * Deadlines of suspended requests: one thread that fires what is due. Suspended
 * connections never time out by themselves, so each suspension has one. Entries are
 * embedded in what they belong to: nothing is allocated.
 */
#ifndef SERVER_HTTP_DEADLINES_H
#define SERVER_HTTP_DEADLINES_H

#include <stdbool.h>
#include <stdint.h>

#include "server/base/problem.h"

struct deadlines;

enum deadline_kind {                /* which go first when the daemon stops */
                     DEADLINE_WAIT, /* somebody waits for news */
                     DEADLINE_WORK, /* work is under way */
};

struct deadline {
    int64_t at_ms; /* monotonic */
    enum deadline_kind kind;
    bool waiting;
    void (*fire)(void *context); /* short; must not call back into deadlines */
    void *context;
    struct deadline *previous, *next;
};

bool deadlines_start(struct deadlines **ret, struct server_problem *problem)
    __attribute__((warn_unused_result));
/** Every entry has been removed or has fired. NULL is accepted. */
void deadlines_stop(struct deadlines *deadlines);

/** Fires entry->fire(entry->context), both set by the caller as is entry->kind, once
 * after `delay_ms` on the deadlines' thread; at once, on the caller's, after
 * deadlines_fire_all. */
void deadlines_add(struct deadlines *deadlines, struct deadline *entry, int64_t delay_ms);
/** After this the entry does not fire any more; an entry never added is accepted. */
void deadlines_remove(struct deadlines *deadlines, struct deadline *entry);

/** The daemon is stopping: fires everything up to `kind` now, and at once what is added.
 */
void deadlines_fire_all(struct deadlines *deadlines, enum deadline_kind kind);

#endif
