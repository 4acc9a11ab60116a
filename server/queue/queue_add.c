/* Adding jobs: queue_add, queue_add_once, queue_add_capture and queue_has_room of
 * queue.h. */
#include "server/queue/queue_parts.h"

#include <assert.h>
#include <string.h>

#include "server/base/limits.h"
#include "server/base/log.h"

/* The jobs of what is being added. */
struct batch {
    struct job *jobs[QUEUE_ORDERS_MAX + 1];
    int count;
    int analyses; /* of them */
};

static void free_jobs(struct batch *batch)
{
    while (batch->count > 0)
        schedule_job_free(batch->jobs[--batch->count]);
}

/* Takes the job over. False without memory: none of the batch is left. */
static bool put(struct batch *batch, struct job *job, struct server_problem *problem)
{
    if (job != NULL) {
        batch->jobs[batch->count++] = job;
        batch->analyses += !job->health;
        return true;
    }
    free_jobs(batch);
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                              "No memory for another job; try again later.");
}

static bool check_room(const struct queue *queue, int count,
                       struct server_problem *problem)
{
    int waiting = schedule_waiting(queue->schedule, false) + queue->reserved;
    return waiting + count <= LIMIT_QUEUE_LENGTH ||
           server_problem_set(problem, SERVER_PROBLEM_QUEUE_FULL, NULL,
                              "%d analyses wait, of %d that the queue holds; try again "
                              "later.",
                              waiting, LIMIT_QUEUE_LENGTH);
}

bool queue_has_room(struct queue *queue, int count, struct server_problem *problem)
{
    pthread_mutex_lock(&queue->lock);
    bool room = count == 0 || check_room(queue, count, problem);
    pthread_mutex_unlock(&queue->lock);
    return room;
}

/* Before their rows are committed; true: `enter` follows. */
static bool reserve(struct queue *queue, const struct batch *batch,
                    struct server_problem *problem)
{
    pthread_mutex_lock(&queue->lock);
    bool room = batch->analyses == 0 || check_room(queue, batch->analyses, problem);
    queue->reserved += room ? batch->analyses : 0;
    pthread_mutex_unlock(&queue->lock);
    return room;
}

/* The rows are committed, or are not. A runner may have added health itself meanwhile, at
 * an analysis that was ordered by somebody else. */
static void enter(struct queue *queue, struct batch *batch, bool committed)
{
    pthread_mutex_lock(&queue->lock);
    queue->reserved -= batch->analyses;
    queue->additions += (uint64_t)batch->analyses;
    for (int i = 0; committed && i < batch->count; i++) {
        struct job *job = batch->jobs[i];
        if (job->health && schedule_find(queue->schedule, job->analysis.id) != NULL)
            continue;
        if (schedule_add(queue->schedule, job))
            batch->jobs[i] = NULL;
        else
            log_line(LOG_LEVEL_ERROR,
                     "no memory to queue %s: it runs after the next start",
                     job->analysis.id);
    }
    pthread_cond_broadcast(&queue->changed);
    pthread_mutex_unlock(&queue->lock);
    free_jobs(batch);
}

bool queue_add(struct queue *queue, const struct store_analysis *analysis,
               struct server_problem *problem)
{
    return queue_add_once(queue, analysis, NULL, NULL, problem);
}

bool queue_add_once(struct queue *queue, const struct store_analysis *analysis,
                    const struct store_key *key, char made[ID_BYTES],
                    struct server_problem *problem)
{
    struct store *store = queue->config.store;
    struct batch batch = {0};
    if (!put(&batch, schedule_job_new(analysis), problem))
        return false;
    if (!reserve(queue, &batch, problem)) {
        free_jobs(&batch);
        return false;
    }
    bool added = key == NULL
                     ? store_analysis_add(store, analysis, problem)
                     : store_analysis_add_once(store, analysis, key, made, problem);
    enter(queue, &batch, added && (key == NULL || strcmp(made, analysis->id) == 0));
    return added;
}

static bool put_upload(struct batch *batch, const struct store_upload *upload,
                       struct server_problem *problem)
{
    bool queued = upload->capture->health.state == STORE_QUEUED;
    bool whole = !queued || put(batch, schedule_health_new(upload->capture), problem);
    for (int i = 0; whole && i < upload->count; i++)
        whole = put(batch, schedule_job_new(&upload->analyses[i]), problem);
    return whole;
}

bool queue_add_capture(struct queue *queue, const struct store_upload *upload,
                       const struct store_key *key, char made[ID_BYTES],
                       struct server_problem *problem)
{
    struct store *store = queue->config.store;
    struct batch batch = {0};
    assert(upload->count <= QUEUE_ORDERS_MAX);
    if (!put_upload(&batch, upload, problem))
        return false;
    if (!reserve(queue, &batch, problem)) {
        free_jobs(&batch);
        return false;
    }
    memcpy(made, upload->capture->id, ID_BYTES);
    bool added = key == NULL ? store_capture_add(store, upload, problem)
                             : store_capture_add_once(store, upload, key, made, problem);
    bool committed = added && strcmp(made, upload->capture->id) == 0;
    enter(queue, &batch, committed);
    pthread_mutex_lock(&queue->lock);
    queue->quarantined += committed && upload->capture->quarantined;
    pthread_mutex_unlock(&queue->lock);
    return added;
}
