#include "server/workers/workers.h"

#include <assert.h>
#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <time.h>
#include <unistd.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "server/base/log.h"
#include "server/workers/slot.h"
#include "server/workers/talk.h"

enum {
    SLOTS_MAX = 65,      /* 64 for jobs and one for inspect */
    REAP_POLL_MS = 5,    /* a killed process is gone within about so long */
    STATE_CHECK_MS = 50, /* how often a waiting call looks for its cancellation */
};

struct workers {
    char *program;
    pthread_t thread;
    int wake; /* eventfd: a slot has changed */
    pthread_mutex_t lock;
    pthread_cond_t changed; /* a slot, `calls`, `tried` or `stopping` */
    struct slot slots[SLOTS_MAX];
    int slot_count;
    int calls; /* under way */
    bool tried, stopping;
    struct server_problem start_problem;
    unsigned long crashes, timeouts, retired;
};

static void wake_thread(struct workers *workers)
{
    uint64_t one = 1;
    ssize_t written = write(workers->wake, &one, sizeof one);
    (void)written; /* a full counter is awake already */
}

static void start_slot(struct workers *workers, struct slot *slot)
{
    struct server_problem problem = {0};
    if (slot_start(slot, workers->program, &problem))
        return;
    if (workers->tried)
        log_line(LOG_LEVEL_ERROR, "%s", problem.detail);
    else
        workers->start_problem = problem;
}

/** A busy slot is left alone even when the pool stops: its call still uses the socket. */
static void step_slot(struct workers *workers, struct slot *slot, int64_t now_ms)
{
    if (slot->state == SLOT_STARTING && now_ms >= slot->due_ms)
        slot_end(slot, true);
    if (workers->stopping && (slot->state == SLOT_STARTING || slot->state == SLOT_IDLE))
        slot_end(slot, false);
    if (slot->state == SLOT_ENDING) {
        slot->unexpected = slot->unexpected && !workers->stopping;
        workers->crashes += slot_reap(slot);
    }
    if (slot->state == SLOT_EMPTY && !workers->stopping && now_ms >= slot->due_ms)
        start_slot(workers, slot);
}

/** How long the thread may leave this slot alone. */
static int64_t slot_wait_ms(const struct workers *workers, const struct slot *slot,
                            int64_t now_ms)
{
    if (slot->state == SLOT_ENDING)
        return REAP_POLL_MS;
    if (slot->state == SLOT_STARTING || (slot->state == SLOT_EMPTY && !workers->stopping))
        return slot->due_ms > now_ms ? slot->due_ms - now_ms : 0;
    return INT32_MAX;
}

/** Moves every slot on as far as it goes without waiting. Returns how long the thread may
 *  sleep: until the next start or deadline, −1 for ever. Called with the lock. */
static int step_slots(struct workers *workers)
{
    int64_t now_ms = clock_monotonic_ms(), sleep_ms = INT32_MAX;
    for (int i = 0; i < workers->slot_count; i++) {
        struct slot *slot = &workers->slots[i];
        step_slot(workers, slot, now_ms);
        int64_t wait_ms = slot_wait_ms(workers, slot, now_ms);
        if (wait_ms < sleep_ms)
            sleep_ms = wait_ms;
    }
    return sleep_ms == INT32_MAX ? -1 : (int)sleep_ms;
}

static bool all_empty(const struct workers *workers)
{
    for (int i = 0; i < workers->slot_count; i++)
        if (workers->slots[i].state != SLOT_EMPTY)
            return false;
    return true;
}

/** Sleeps until a starting worker speaks, an idle one dies, a wake-up, or sleep_ms. An
 * idle worker becomes busy without a word to this thread, which therefore does not listen
 * to what it says: its answer would wake two. Sockets are closed by this thread only, so
 * they stay valid while the lock is open. */
static void sleep_and_listen(struct workers *workers, int sleep_ms)
{
    struct pollfd waits[SLOTS_MAX + 1];
    struct slot *slots[SLOTS_MAX + 1];
    nfds_t count = 0;
    waits[count++] = (struct pollfd){.fd = workers->wake, .events = POLLIN};
    for (int i = 0; i < workers->slot_count; i++) {
        struct slot *slot = &workers->slots[i];
        slot->watched = slot->state == SLOT_STARTING || slot->state == SLOT_IDLE;
        if (!slot->watched)
            continue;
        slots[count] = slot;
        waits[count++] = (struct pollfd){
            .fd = slot->socket, .events = slot->state == SLOT_STARTING ? POLLIN : 0};
    }
    pthread_mutex_unlock(&workers->lock);
    poll(waits, count, sleep_ms);
    uint64_t counter;
    if (waits[0].revents) {
        ssize_t got = read(workers->wake, &counter, sizeof counter);
        (void)got;
    }
    pthread_mutex_lock(&workers->lock);
    for (nfds_t i = 1; i < count; i++) {
        if (waits[i].revents == 0)
            continue;
        if (slots[i]->state == SLOT_STARTING)
            slot_greet(slots[i]);
        else if (slots[i]->state == SLOT_IDLE && !slot_is_well(slots[i]))
            slot_end(slots[i], true);
    }
}

static void *pool_thread(void *context)
{
    struct workers *workers = context;
    pthread_mutex_lock(&workers->lock);
    for (;;) {
        int sleep_ms = step_slots(workers);
        workers->tried = true;
        pthread_cond_broadcast(&workers->changed);
        if (workers->stopping && all_empty(workers))
            break;
        sleep_and_listen(workers, sleep_ms);
    }
    pthread_mutex_unlock(&workers->lock);
    return NULL;
}

/** Starts the pool's thread with all signals blocked: they are for the daemon's main
 * thread. */
static int start_thread(struct workers *workers)
{
    sigset_t all, former;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &former);
    int error = pthread_create(&workers->thread, NULL, pool_thread, workers);
    pthread_sigmask(SIG_SETMASK, &former, NULL);
    return error;
}

static void release(struct workers *workers)
{
    if (workers->wake >= 0)
        close(workers->wake);
    pthread_cond_destroy(&workers->changed);
    pthread_mutex_destroy(&workers->lock);
    free(workers->program);
    free(workers);
}

bool workers_start(const struct workers_config *config, struct workers **ret,
                   struct server_problem *problem)
{
    assert(config->count >= 1 && config->count < SLOTS_MAX);
    struct workers *workers = calloc(1, sizeof *workers);
    if (workers == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "No memory for the worker pool.");
    pthread_condattr_t attributes;
    pthread_condattr_init(&attributes);
    pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC);
    pthread_cond_init(&workers->changed, &attributes);
    pthread_condattr_destroy(&attributes);
    pthread_mutex_init(&workers->lock, NULL);
    workers->wake = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    workers->program = strdup(config->program);
    workers->slot_count = config->count + 1;
    for (int i = 0; i < workers->slot_count; i++)
        workers->slots[i] =
            (struct slot){.class = i < config->count ? WORKERS_JOB : WORKERS_INSPECT,
                          .pid = -1,
                          .socket = -1};
    int error =
        workers->wake < 0 || workers->program == NULL ? errno : start_thread(workers);
    if (error != 0) {
        release(workers);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "Cannot start the worker pool: %s.", strerror(error));
    }

    pthread_mutex_lock(&workers->lock);
    while (!workers->tried)
        pthread_cond_wait(&workers->changed, &workers->lock);
    struct server_problem start_problem = workers->start_problem;
    pthread_mutex_unlock(&workers->lock);
    if (start_problem.code != SERVER_PROBLEM_NONE) {
        workers_stop(workers);
        return server_problem_set(problem, start_problem.code, NULL, "%s",
                                  start_problem.detail);
    }
    *ret = workers;
    return true;
}

void workers_stop(struct workers *workers)
{
    if (workers == NULL)
        return;
    pthread_mutex_lock(&workers->lock);
    workers->stopping = true;
    /* a busy worker's death ends the call that waits for it */
    for (int i = 0; i < workers->slot_count; i++)
        if (workers->slots[i].pid > 0)
            kill(workers->slots[i].pid, SIGKILL);
    pthread_cond_broadcast(&workers->changed);
    while (workers->calls > 0)
        pthread_cond_wait(&workers->changed, &workers->lock);
    pthread_mutex_unlock(&workers->lock);
    wake_thread(workers);
    pthread_join(workers->thread, NULL);
    release(workers);
}

static struct slot *find_idle(struct workers *workers, enum workers_class class)
{
    for (int i = 0; i < workers->slot_count; i++) {
        struct slot *slot = &workers->slots[i];
        if (slot->class != class || slot->state != SLOT_IDLE)
            continue;
        if (slot_is_well(slot))
            return slot;
        slot_end(slot, true);
        wake_thread(workers);
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
    if (outcome == WORKERS_TIMED_OUT)
        workers->timeouts++;
    if (well)
        slot_served(slot);
    if (outcome == WORKERS_STOPPED)
        slot->state = SLOT_IDLE; /* as it was when it died */
    if (!well) {
        slot_end(slot, outcome == WORKERS_CRASHED || outcome == WORKERS_STOPPED);
    } else if (slot->jobs >= LIMIT_WORKER_JOBS) {
        workers->retired++;
        slot_end(slot, false);
    } else {
        slot->state = SLOT_IDLE;
    }
    if (slot->state != SLOT_IDLE || !slot->watched)
        wake_thread(workers);
    pthread_cond_broadcast(&workers->changed);
}

/** One call on one worker, without the lock. WORKERS_STOPPED: it was dead already. */
static enum workers_outcome converse(const struct slot *slot,
                                     const struct workers_call *call, json_t **answer,
                                     struct server_problem *problem)
{
    int64_t deadline_ms = clock_monotonic_ms() + (int64_t)call->deadline_s * 1000;
    enum wire_status sent = talk_send(slot->socket, call);
    if (sent == WIRE_CLOSED)
        return WORKERS_STOPPED;
    if (sent != WIRE_OK) {
        server_problem_set(problem, SERVER_PROBLEM_WORKER_CRASHED, NULL,
                           "The worker did not take the request.");
        return WORKERS_CRASHED;
    }
    return talk_answer(slot->socket, call, deadline_ms, answer, problem);
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

struct workers_status workers_status(struct workers *workers)
{
    struct workers_status status = {0};
    pthread_mutex_lock(&workers->lock);
    for (int i = 0; i < workers->slot_count; i++) {
        enum slot_state state = workers->slots[i].state;
        status.alive += state == SLOT_IDLE || state == SLOT_BUSY;
        status.busy += state == SLOT_BUSY;
    }
    status.crashes = workers->crashes;
    status.timeouts = workers->timeouts;
    status.retired = workers->retired;
    pthread_mutex_unlock(&workers->lock);
    return status;
}
