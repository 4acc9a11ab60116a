/* The runners: each takes jobs and sees them to their end, whatever happens. */
#include "server/queue/queue_parts.h"

#include <errno.h>
#include <stdlib.h>
#include <time.h>

#include "server/base/clock.h"
#include "server/base/limits.h"
#include "server/base/log.h"
#include "server/queue/attempt.h"

enum { RETRY_MAX_MS = 30000 };

bool queue_run_pause(struct queue *queue, const atomic_bool *give_up, int *wait_ms)
{
    struct timespec until;
    clock_gettime(CLOCK_MONOTONIC, &until);
    until.tv_sec += *wait_ms / 1000;
    until.tv_nsec += *wait_ms % 1000 * 1000000L;
    if (until.tv_nsec >= 1000000000L) {
        until.tv_nsec -= 1000000000L;
        until.tv_sec++;
    }
    *wait_ms = *wait_ms * 2 < RETRY_MAX_MS ? *wait_ms * 2 : RETRY_MAX_MS;
    pthread_mutex_lock(&queue->lock);
    int error = 0;
    while (!atomic_load(&queue->stopping) && error != ETIMEDOUT &&
           !(give_up && atomic_load(give_up)))
        error = pthread_cond_timedwait(&queue->changed, &queue->lock, &until);
    pthread_mutex_unlock(&queue->lock);
    return !atomic_load(&queue->stopping);
}

/** A change of the job's row, tried until the store takes it. */
typedef bool record(struct store *store, const struct store_analysis *analysis,
                    struct server_problem *problem);

static bool record_death(struct store *store, const struct store_analysis *analysis,
                         struct server_problem *problem)
{
    return store_analysis_attempt(store, analysis->id, analysis->attempts, problem);
}

/** False when the queue stops before the store took it: the row is as it was. */
static bool record_surely(struct queue *queue, record *change,
                          const struct store_analysis *analysis)
{
    int wait_ms = QUEUE_RUN_RETRY_MS;
    for (;;) {
        struct server_problem problem = {0};
        if (change(queue->config.store, analysis, &problem))
            return true;
        if (problem.code == SERVER_PROBLEM_CONFLICT)
            return true; /* cancelled at the same moment: nothing is left to record */
        log_line(LOG_LEVEL_ERROR, "analysis %s could not be recorded: %s", analysis->id,
                 problem.detail);
        if (problem.code == SERVER_PROBLEM_NOT_FOUND)
            return true;
        if (!queue_run_pause(queue, NULL, &wait_ms))
            return false;
    }
}

const int queue_duration_ms[QUEUE_DURATIONS - 1] = {100,   300,   1000,  3000,
                                                    10000, 30000, 100000};

/** Called with the lock. The wall clock may have been set back meanwhile. */
static void count_duration(struct queue *queue, int64_t took_ms)
{
    int group = 0;
    while (group < QUEUE_DURATIONS - 1 && took_ms > queue_duration_ms[group])
        group++;
    queue->took[group]++;
    queue->took_ms += took_ms > 0 ? took_ms : 0;
}

bool queue_run_quarantines(int deaths, enum server_problem_code code)
{
    return deaths >= LIMIT_WORKER_ATTEMPTS || code == SERVER_PROBLEM_CONFINEMENT;
}

void queue_run_crashed(const char *capture, struct server_problem *ret)
{
    server_problem_set(ret, SERVER_PROBLEM_WORKER_CRASHED, NULL,
                       "The worker died %d times over this recording, which is "
                       "quarantined now; PATCH /v1/captures/%s with "
                       "{\"quarantined\":false} to try it once more.",
                       LIMIT_WORKER_ATTEMPTS, capture);
}

/** Records the end and takes the job out; it is freed. False when the queue stops first.
 */
static bool finish(struct queue *queue, struct job *job, enum store_state state,
                   const struct server_problem *problem)
{
    bool quarantine = queue_run_quarantines(
        job->analysis.attempts, problem ? problem->code : SERVER_PROBLEM_NONE);
    struct store_analysis ended = job->analysis;
    ended.state = state;
    ended.finished_ms = clock_wall_ms();
    ended.problem = state == STORE_FAILED ? store_failure_text(problem) : NULL;
    if (state == STORE_FAILED)
        log_line(LOG_LEVEL_INFO, "analysis %s failed: %s: %s", ended.id,
                 server_problem_meaning(problem->code)->code, problem->detail);
    bool recorded = record_surely(
        queue, quarantine ? store_analysis_quarantine : store_analysis_finish, &ended);
    free(ended.problem);
    if (!recorded)
        return false;
    pthread_mutex_lock(&queue->lock);
    queue->ended[state]++;
    queue->quarantined += quarantine;
    if (state == STORE_DONE)
        count_duration(queue, ended.finished_ms - ended.started_ms);
    queue_watch_end(queue, job);
    pthread_mutex_unlock(&queue->lock);
    return true;
}

static void tell_progress(double fraction, void *context)
{
    struct queue_run_telling *telling = context;
    pthread_mutex_lock(&telling->queue->lock);
    telling->job->progress = fraction;
    pthread_mutex_unlock(&telling->queue->lock);
}

struct attempt queue_run_attempt(struct queue_run_telling *telling)
{
    const struct queue_config *config = &telling->queue->config;
    return (struct attempt){.store = config->store,
                            .spool = config->spool,
                            .workers = config->workers,
                            .cancel = &telling->job->give_up,
                            .progress = tell_progress,
                            .context = telling};
}

/** Counts a death of the job's worker. False when the queue stops. */
static bool count_death(struct queue *queue, struct job *job)
{
    pthread_mutex_lock(&queue->lock);
    job->analysis.attempts++;
    job->progress = 0;
    pthread_mutex_unlock(&queue->lock);
    log_line(LOG_LEVEL_WARNING, "analysis %s: its worker died (%d of %d)",
             job->analysis.id, job->analysis.attempts, LIMIT_WORKER_ATTEMPTS);
    return record_surely(queue, record_death, &job->analysis);
}

static bool is_cancelled(struct queue *queue, const struct job *job)
{
    pthread_mutex_lock(&queue->lock);
    bool cancelled = job->cancelled;
    pthread_mutex_unlock(&queue->lock);
    return cancelled;
}

/** Lets the job wait again, for the health that it needs. False without memory, or when
 * it was cancelled: it still runs. */
static bool put_back(struct queue *queue, struct job *job)
{
    queue_health_ensure(queue, job->analysis.capture);
    if (job->analysis.floor_capture[0])
        queue_health_ensure(queue, job->analysis.floor_capture);
    pthread_mutex_lock(&queue->lock);
    bool back = !job->cancelled && schedule_return(queue->schedule, job);
    if (back)
        job->analysis.started_ms = 0;
    pthread_mutex_unlock(&queue->lock);
    return back;
}

/** Attempts until the job has ended or waits again; false when it was given up because
 * the queue stops. */
static bool run_job(struct queue *queue, struct job *job)
{
    struct queue_run_telling telling = {queue, job};
    const struct attempt attempt = queue_run_attempt(&telling);
    int wait_ms = QUEUE_RUN_RETRY_MS;
    while (job->analysis.attempts < LIMIT_WORKER_ATTEMPTS) {
        struct server_problem problem = {0};
        if (is_cancelled(queue, job))
            return finish(queue, job, STORE_CANCELLED, NULL);
        switch (attempt_run(&attempt, &job->analysis, &problem)) {
        case ATTEMPT_DONE:
            return finish(queue, job, STORE_DONE, NULL);
        case ATTEMPT_FAILED:
        case ATTEMPT_NEEDLESS:
            return finish(queue, job, STORE_FAILED, &problem);
        case ATTEMPT_DIED:
            if (!count_death(queue, job))
                return false;
            break;
        case ATTEMPT_EARLY:
            if (put_back(queue, job))
                return true;
            if (!queue_run_pause(queue, &job->give_up, &wait_ms))
                return false;
            break;
        case ATTEMPT_LATER:
            log_line(LOG_LEVEL_WARNING, "analysis %s waits: %s", job->analysis.id,
                     problem.detail);
            if (!queue_run_pause(queue, &job->give_up, &wait_ms))
                return false;
            break;
        case ATTEMPT_GIVEN_UP:
            if (!is_cancelled(queue, job))
                return false;
            break;
        }
    }
    struct server_problem crashed = {0};
    queue_run_crashed(job->analysis.capture, &crashed);
    return finish(queue, job, STORE_FAILED, &crashed);
}

void *queue_run_thread(void *context)
{
    struct queue *queue = context;
    pthread_mutex_lock(&queue->lock);
    while (!atomic_load(&queue->stopping)) {
        struct job *job = schedule_take(queue->schedule);
        if (job == NULL) {
            pthread_cond_wait(&queue->changed, &queue->lock);
            continue;
        }
        if (!job->cancelled)
            job->analysis.started_ms = clock_wall_ms();
        pthread_mutex_unlock(&queue->lock);
        bool ended = job->health ? queue_health_run(queue, job) : run_job(queue, job);
        pthread_mutex_lock(&queue->lock);
        if (!ended)
            break;
    }
    pthread_mutex_unlock(&queue->lock);
    return NULL;
}
