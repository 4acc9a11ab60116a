/* The pool and its thread, which starts, greets and reaps the processes. */
#include "server/workers/workers_parts.h"

#include <assert.h>
#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <linux/landlock.h>
#include <sys/eventfd.h>
#include <sys/syscall.h>

#include "server/base/clock.h"
#include "server/base/log.h"

enum { REAP_POLL_MS = 5 }; /* a killed process is gone within about so long */

void workers_wake(struct workers *workers)
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
        enum slot_end end = slot_reap(slot);
        workers->crashes += end == SLOT_DIED;
        workers->violations += end == SLOT_BROKE_OUT;
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

/* Its workers go on without it; whoever runs the daemon shall know. */
static void warn_without_landlock(void)
{
    if (syscall(SYS_landlock_create_ruleset, NULL, 0, LANDLOCK_CREATE_RULESET_VERSION) <
        1)
        log_line(LOG_LEVEL_WARNING,
                 "this kernel offers no Landlock (%s): only their filter of system calls "
                 "keeps the workers from files; Linux 5.13 and later have it, unless it "
                 "is left out by lsm= on the kernel's command line",
                 strerror(errno));
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
    warn_without_landlock();
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
    workers_wake(workers);
    pthread_join(workers->thread, NULL);
    release(workers);
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
    status.out_of_memory = workers->out_of_memory;
    status.violations = workers->violations;
    pthread_mutex_unlock(&workers->lock);
    return status;
}
