/* Calls: an idle worker taken, asked, and given back. */
#include "server/workers/workers_parts.h"

#include <time.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "server/workers/talk.h"

enum { STATE_CHECK_MS = 50 }; /* how often a waiting call looks for its cancellation */

static struct slot *find_idle(struct workers *workers, enum workers_class class)
{
    for (int i = 0; i < workers->slot_count; i++) {
        struct slot *slot = &workers->slots[i];
        if (slot->class != class || slot->state != SLOT_IDLE)
            continue;
        if (slot_is_well(slot))
            return slot;
        slot_end(slot, true);
        workers_wake(workers);
    }
    return NULL;
}

static bool any_serves(const struct workers *workers, enum workers_class class)
{
    for (int i = 0; i < workers->slot_count; i++)
        if (workers->slots[i].class == class && (workers->slots[i].state == SLOT_IDLE ||
                                                 workers->slots[i].state == SLOT_BUSY))
            return true;
    return false;
}

static void wait_changed(struct workers *workers)
{
    struct timespec until;
    clock_gettime(CLOCK_MONOTONIC, &until);
    until.tv_nsec += STATE_CHECK_MS * 1000000L;
    if (until.tv_nsec >= 1000000000L) {
        until.tv_nsec -= 1000000000L;
        until.tv_sec++;
    }
    pthread_cond_timedwait(&workers->changed, &workers->lock, &until);
}

/** Waits for an idle worker and makes it busy; or NULL and why not. Called with the lock.
 */
static struct slot *take(struct workers *workers, const struct workers_call *call,
                         enum workers_outcome *why_not, struct server_problem *problem)
{
    int64_t served_ms = clock_monotonic_ms();
    for (;;) {
        *why_not = WORKERS_STOPPED;
        if (workers->stopping) {
            server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                               "The daemon is stopping.");
            return NULL;
        }
        if (call->cancel && atomic_load(call->cancel)) {
            *why_not = WORKERS_CANCELLED;
            server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                               "The analysis was given up.");
            return NULL;
        }
        struct slot *slot = find_idle(workers, call->class);
        if (slot != NULL) {
            slot->state = SLOT_BUSY;
            return slot;
        }
        if (any_serves(workers, call->class)) {
            served_ms = clock_monotonic_ms();
        } else if (clock_monotonic_ms() - served_ms > (int64_t)call->deadline_s * 1000) {
            server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                               "No worker could be started within %d s: %.250s does not "
                               "answer; see the messages on standard error.",
                               call->deadline_s, workers->program);
            return NULL;
        }
        wait_changed(workers);
    }
}

/** Gives the worker back after a call: idle again, or to be replaced. Called with the
 * lock. */
static void give_back(struct workers *workers, struct slot *slot,
                      enum workers_outcome outcome)
{
    /* one that ran out of memory may hold much of it: a new one has it all */
    bool well = outcome == WORKERS_DONE || outcome == WORKERS_REFUSED;
    bool died = outcome == WORKERS_CRASHED || outcome == WORKERS_CONFINEMENT ||
                outcome == WORKERS_STOPPED;
    workers->timeouts += outcome == WORKERS_TIMED_OUT;
    workers->out_of_memory += outcome == WORKERS_OUT_OF_MEMORY;
    if (well)
        slot_served(slot);
    if (outcome == WORKERS_STOPPED)
        slot->state = SLOT_IDLE; /* as it was when it died */
    if (!well) {
        slot_end(slot, died);
    } else if (slot->jobs >= LIMIT_WORKER_JOBS) {
        workers->retired++;
        slot_end(slot, false);
    } else {
        slot->state = SLOT_IDLE;
    }
    if (slot->state != SLOT_IDLE || !slot->watched)
        workers_wake(workers);
    pthread_cond_broadcast(&workers->changed);
}

/** What became of a worker that is thought to have crashed. */
static enum workers_outcome judge(struct slot *slot, struct server_problem *problem)
{
    if (!slot_broke_out(slot))
        return WORKERS_CRASHED;
    if (problem != NULL)
        *problem = (struct server_problem){0};
    server_problem_set(problem, SERVER_PROBLEM_CONFINEMENT, NULL,
                       "The worker made a system call that no analysis makes, and was "
                       "killed; the recording may be made to attack its reader: find "
                       "out where it comes from.");
    return WORKERS_CONFINEMENT;
}

/** One call on one worker, without the lock. WORKERS_STOPPED: it was dead already. */
static enum workers_outcome converse(struct slot *slot, const struct workers_call *call,
                                     json_t **answer, struct server_problem *problem)
{
    int64_t deadline_ms = clock_monotonic_ms() + (int64_t)call->deadline_s * 1000;
    enum wire_status sent = talk_send(slot->socket, call);
    if (sent == WIRE_CLOSED)
        return WORKERS_STOPPED;
    if (sent != WIRE_OK) {
        server_problem_set(problem, SERVER_PROBLEM_WORKER_CRASHED, NULL,
                           "The worker did not take the request.");
        return judge(slot, problem);
    }
    enum workers_outcome outcome =
        talk_answer(slot->socket, call, deadline_ms, answer, problem);
    return outcome == WORKERS_CRASHED ? judge(slot, problem) : outcome;
}

enum workers_outcome workers_run(struct workers *workers, const struct workers_call *call,
                                 json_t **answer, struct server_problem *problem)
{
    enum workers_outcome outcome;
    struct slot *slot;
    pthread_mutex_lock(&workers->lock);
    workers->calls++;
    do {
        slot = take(workers, call, &outcome, problem);
        if (slot == NULL)
            break;
        pthread_mutex_unlock(&workers->lock);
        outcome = converse(slot, call, answer, problem);
        pthread_mutex_lock(&workers->lock);
        give_back(workers, slot, outcome);
        if (outcome == WORKERS_CRASHED && workers->stopping)
            outcome = WORKERS_STOPPED; /* workers_stop killed it */
    } while (outcome == WORKERS_STOPPED && !workers->stopping);
    workers->calls--;
    pthread_cond_broadcast(&workers->changed);
    pthread_mutex_unlock(&workers->lock);
    return outcome;
}
