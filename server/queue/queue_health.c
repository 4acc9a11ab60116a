/* The health of captures as jobs: queue_health_* of queue.h, and their runner. The row is
 * the truth, a job no more than a hint: one whose row does not say `queued` leaves. */
#include "server/queue/queue_parts.h"

#include <stdlib.h>

#include "server/base/limits.h"
#include "server/base/log.h"

/* Called with the lock, where there is no such job. */
static void add_job(struct queue *queue, const struct store_capture *capture)
{
    struct job *job = schedule_health_new(capture);
    if (job == NULL || !schedule_add(queue->schedule, job)) {
        schedule_job_free(job);
        log_line(LOG_LEVEL_ERROR,
                 "no memory to queue the health of %s: an analysis of it or the next "
                 "start tries again",
                 capture->id);
    }
    pthread_cond_broadcast(&queue->changed);
}

void queue_health_ensure(struct queue *queue, const char *id)
{
    struct store_capture capture = {0};
    if (!store_capture_get(queue->config.store, id, &capture, NULL))
        return;
    pthread_mutex_lock(&queue->lock);
    if (capture.health.state == STORE_QUEUED &&
        schedule_find(queue->schedule, id) == NULL)
        add_job(queue, &capture);
    pthread_mutex_unlock(&queue->lock);
    store_capture_free(&capture);
}

void queue_health_again(struct queue *queue, const struct store_capture *capture)
{
    pthread_mutex_lock(&queue->lock);
    struct job *job = schedule_find(queue->schedule, capture->id);
    if (job == NULL) {
        add_job(queue, capture);
    } else if (job->running) {
        job->again = true;
        atomic_store(&job->give_up, true);
        pthread_cond_broadcast(&queue->changed);
    }
    pthread_mutex_unlock(&queue->lock);
}

void queue_health_drop(struct queue *queue, const char *capture)
{
    pthread_mutex_lock(&queue->lock);
    struct job *job = schedule_find(queue->schedule, capture);
    if (job != NULL && job->running) {
        job->cancelled = true;
        atomic_store(&job->give_up, true);
        pthread_cond_broadcast(&queue->changed);
    } else if (job != NULL) {
        queue_watch_end(queue, job);
    }
    pthread_mutex_unlock(&queue->lock);
}

bool queue_health_runs(struct queue *queue, const char *capture)
{
    pthread_mutex_lock(&queue->lock);
    const struct job *job = schedule_find(queue->schedule, capture);
    bool runs = job != NULL && job->running;
    pthread_mutex_unlock(&queue->lock);
    return runs;
}

/* What becomes of the job after an attempt. */
enum next { LEAVE, ONCE_MORE, STOP };

/* Records a change of the row until the store takes it. */
static enum next record(struct queue *queue, const struct store_health_end *end)
{
    int wait_ms = QUEUE_RUN_RETRY_MS;
    for (;;) {
        struct server_problem problem = {0};
        bool ended = end->health.state != STORE_QUEUED;
        struct store *store = queue->config.store;
        if (ended ? store_health_finish(store, end, &problem)
                  : store_health_attempt(store, end->id, end->health.attempts, &problem))
            return ended ? LEAVE : ONCE_MORE;
        /* deleted, or changed meanwhile: the next attempt sees what the row says now */
        if (problem.code == SERVER_PROBLEM_NOT_FOUND ||
            problem.code == SERVER_PROBLEM_CONFLICT)
            return ONCE_MORE;
        log_line(LOG_LEVEL_ERROR, "health of %s could not be recorded: %s", end->id,
                 problem.detail);
        if (!queue_run_pause(queue, NULL, &wait_ms))
            return STOP;
    }
}

static enum next finish(struct queue *queue, const struct job *job,
                        const struct attempt_found *found,
                        const struct server_problem *problem)
{
    bool failed = problem->code != SERVER_PROBLEM_NONE;
    char *text = failed ? store_failure_text(problem) : NULL;
    struct store_health_end end = {
        .id = job->analysis.id,
        .signal = found->signal,
        .health = {.state = failed ? STORE_FAILED : STORE_DONE,
                   .attempts = found->attempts,
                   .report = found->report,
                   .suggested = found->suggested,
                   .problem = text},
        .format = found->format,
        .quarantined = queue_run_quarantines(found->attempts, problem->code),
    };
    if (failed)
        log_line(LOG_LEVEL_INFO, "health of %s failed: %s: %s", end.id,
                 server_problem_meaning(problem->code)->code, problem->detail);
    enum next next = record(queue, &end);
    free(text);
    if (next == LEAVE) {
        pthread_mutex_lock(&queue->lock);
        queue->looked_at[end.health.state]++;
        queue->quarantined += end.quarantined;
        pthread_mutex_unlock(&queue->lock);
    }
    return next;
}

static enum next count_death(struct queue *queue, const struct job *job,
                             struct attempt_found *found)
{
    found->attempts++;
    log_line(LOG_LEVEL_WARNING, "health of %s: its worker died (%d of %d)",
             job->analysis.id, found->attempts, LIMIT_WORKER_ATTEMPTS);
    if (found->attempts >= LIMIT_WORKER_ATTEMPTS) {
        struct server_problem crashed = {0};
        queue_run_crashed(job->analysis.id, &crashed);
        return finish(queue, job, found, &crashed);
    }
    const struct store_health_end death = {
        .id = job->analysis.id,
        .health = {.state = STORE_QUEUED, .attempts = found->attempts}};
    return record(queue, &death);
}

/* Why an attempt was given up. */
static enum next given_up(struct queue *queue, const struct job *job)
{
    pthread_mutex_lock(&queue->lock);
    enum next next = job->cancelled ? LEAVE : job->again ? ONCE_MORE : STOP;
    pthread_mutex_unlock(&queue->lock);
    return atomic_load(&queue->stopping) ? STOP : next;
}

static enum next look(struct queue *queue, struct job *job, int *wait_ms)
{
    struct queue_run_telling telling = {queue, job};
    const struct attempt attempt = queue_run_attempt(&telling);
    struct attempt_found found;
    struct server_problem problem = {0};
    enum next next = LEAVE;
    switch (attempt_health(&attempt, job->analysis.id, &found, &problem)) {
    case ATTEMPT_DONE:
        next = finish(queue, job, &found, &(struct server_problem){0});
        break;
    case ATTEMPT_FAILED:
        next = finish(queue, job, &found, &problem);
        break;
    case ATTEMPT_DIED:
        next = count_death(queue, job, &found);
        break;
    case ATTEMPT_LATER:
    case ATTEMPT_EARLY:
        log_line(LOG_LEVEL_WARNING, "health of %s waits: %s", job->analysis.id,
                 problem.detail);
        next = queue_run_pause(queue, &job->give_up, wait_ms) ? ONCE_MORE : STOP;
        break;
    case ATTEMPT_GIVEN_UP:
        next = given_up(queue, job);
        break;
    case ATTEMPT_NEEDLESS:
        break;
    }
    attempt_found_free(&found);
    return next;
}

/* The job leaves, and analyses of the capture may run; unless it is wanted again. */
static bool leave(struct queue *queue, struct job *job)
{
    pthread_mutex_lock(&queue->lock);
    bool leaves = !job->again || job->cancelled;
    if (leaves) {
        queue_watch_end(queue, job);
        pthread_cond_broadcast(&queue->changed);
    }
    pthread_mutex_unlock(&queue->lock);
    return leaves;
}

bool queue_health_run(struct queue *queue, struct job *job)
{
    int wait_ms = QUEUE_RUN_RETRY_MS;
    for (;;) {
        enum next next = look(queue, job, &wait_ms);
        if (next == LEAVE && leave(queue, job))
            return true;
        if (next == STOP)
            return false;
        pthread_mutex_lock(&queue->lock);
        if (job->again) {
            job->again = false;
            atomic_store(&job->give_up, atomic_load(&queue->stopping));
        }
        pthread_mutex_unlock(&queue->lock);
    }
}
