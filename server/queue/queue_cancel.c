/* Cancelling: queue_cancel and queue_await of queue.h. */
#include "server/queue/queue_parts.h"

#include "server/base/clock.h"

/* The end of one that waits. Only the row decides: whoever sees a row's end recorded
 * first leaves it at that. */
static bool record(struct queue *queue, const struct store_analysis *analysis,
                   struct server_problem *problem)
{
    struct store_analysis ended = *analysis;
    ended.state = STORE_CANCELLED;
    ended.finished_ms = clock_wall_ms();
    ended.problem = NULL;
    return store_analysis_finish(queue->config.store, &ended, problem) ||
           problem->code == SERVER_PROBLEM_CONFLICT;
}

/* A row that says `queued` without a job is one whose job is being added: waits for the
 * additions under way. Called with the lock. */
static struct job *await_job(struct queue *queue, const char *id)
{
    uint64_t until = queue->additions + (uint64_t)queue->reserved;
    struct job *job;
    while ((job = schedule_find(queue->schedule, id)) == NULL && queue->additions < until)
        pthread_cond_wait(&queue->changed, &queue->lock);
    return job;
}

void queue_await(struct queue *queue, const char *id)
{
    pthread_mutex_lock(&queue->lock);
    (void)await_job(queue, id);
    pthread_mutex_unlock(&queue->lock);
}

/* Marks the job, so that a runner that takes it meanwhile does not begin. True when one
 * is at it already, and stops. */
static bool mark(struct queue *queue, const char *id)
{
    pthread_mutex_lock(&queue->lock);
    struct job *job = await_job(queue, id);
    bool running = job != NULL && job->running;
    if (job != NULL)
        job->cancelled = true;
    if (running) {
        atomic_store(&job->give_up, true);
        pthread_cond_broadcast(&queue->changed);
    }
    pthread_mutex_unlock(&queue->lock);
    return running;
}

/* After the row of one that waited was recorded, or could not be. One that a runner has
 * taken is the runner's to end. */
static void settle(struct queue *queue, const char *id, bool recorded)
{
    pthread_mutex_lock(&queue->lock);
    struct job *job = schedule_find(queue->schedule, id);
    if (job != NULL && !job->running) {
        job->cancelled = recorded;
        if (recorded) {
            queue->ended[STORE_CANCELLED]++;
            queue_watch_end(queue, job);
        }
    }
    pthread_mutex_unlock(&queue->lock);
}

bool queue_cancel(struct queue *queue, const char *id, struct server_problem *problem)
{
    struct store_analysis analysis;
    if (!store_analysis_get(queue->config.store, id, &analysis, problem))
        return server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, NULL,
                                  "There is no analysis %s.", id);
    struct server_problem refusal = {0};
    bool done = analysis.state != STORE_QUEUED || mark(queue, id);
    if (!done) {
        done = record(queue, &analysis, &refusal);
        settle(queue, id, done);
    }
    store_analysis_free(&analysis);
    if (!done && problem != NULL && problem->code == SERVER_PROBLEM_NONE)
        *problem = refusal;
    return done;
}
