#include "server/queue/queue.h"

#include <assert.h>
#include <errno.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "server/base/limits.h"
#include "server/base/log.h"
#include "server/queue/queue_parts.h"

struct loading {
    struct queue *queue;
    bool whole;
};

/** Takes the job over. */
static void load_job(struct loading *loading, struct job *job)
{
    if (job == NULL || !schedule_add(loading->queue->schedule, job)) {
        schedule_job_free(job);
        loading->whole = false;
    }
}

static void load_one(const struct store_analysis *analysis, void *context)
{
    load_job(context, schedule_job_new(analysis));
}

static void load_health(const struct store_capture *capture, void *context)
{
    load_job(context, schedule_health_new(capture));
}

static bool load(struct queue *queue, struct server_problem *problem)
{
    struct loading loading = {queue, true};
    struct store *store = queue->config.store;
    if (!store_each_unwell(store, load_health, &loading, problem) ||
        !store_each_queued(store, load_one, &loading, problem))
        return false;
    if (!loading.whole)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "No memory for the analyses that wait.");
    return true;
}

/** Signals are for the daemon's main thread: the runners block them. */
static int start_runners(struct queue *queue)
{
    sigset_t all, former;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &former);
    int error = 0;
    while (error == 0 && queue->thread_count < queue->config.runners) {
        error = pthread_create(&queue->threads[queue->thread_count], NULL,
                               queue_run_thread, queue);
        queue->thread_count += error == 0;
    }
    pthread_sigmask(SIG_SETMASK, &former, NULL);
    return error;
}

bool queue_start(const struct queue_config *config, struct queue **ret,
                 struct server_problem *problem)
{
    assert(config->runners >= 1 && config->runners <= QUEUE_PARTS_RUNNERS_MAX);
    struct queue *queue = calloc(1, sizeof *queue);
    if (queue == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "No memory for the queue.");
    queue->config = *config;
    pthread_condattr_t attributes;
    pthread_condattr_init(&attributes);
    pthread_condattr_setclock(&attributes, CLOCK_MONOTONIC);
    pthread_cond_init(&queue->changed, &attributes);
    pthread_condattr_destroy(&attributes);
    pthread_mutex_init(&queue->lock, NULL);
    queue->schedule = schedule_new();
    bool ready = queue->schedule != NULL && load(queue, problem);
    int error = ready ? start_runners(queue) : ENOMEM;
    if (error != 0) {
        queue_stop(queue);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "Cannot start the queue: %s.", strerror(error));
    }
    *ret = queue;
    return true;
}

static void give_up_job(struct job *job, void *context)
{
    (void)context;
    atomic_store(&job->give_up, true);
}

static void wake_job(struct job *job, void *context)
{
    queue_watch_call(context, job);
}

void queue_stop(struct queue *queue)
{
    if (queue == NULL)
        return;
    pthread_mutex_lock(&queue->lock);
    atomic_store(&queue->stopping, true);
    if (queue->schedule)
        schedule_each(queue->schedule, give_up_job, NULL);
    pthread_cond_broadcast(&queue->changed);
    pthread_mutex_unlock(&queue->lock);
    for (int i = 0; i < queue->thread_count; i++)
        pthread_join(queue->threads[i], NULL);
    pthread_mutex_lock(&queue->lock);
    if (queue->schedule)
        schedule_each(queue->schedule, wake_job, queue);
    pthread_mutex_unlock(&queue->lock);
    schedule_free(queue->schedule);
    pthread_cond_destroy(&queue->changed);
    pthread_mutex_destroy(&queue->lock);
    free(queue);
}

/** Fills *ret from a job in memory. False when memory is short. Called with the lock. */
static bool view_job(const struct queue *queue, const struct job *job,
                     struct queue_view *ret)
{
    struct job *copy = schedule_job_new(&job->analysis);
    if (copy == NULL)
        return false;
    *ret = (struct queue_view){.analysis = copy->analysis};
    if (job->running) {
        ret->analysis.state = STORE_RUNNING;
        ret->progress = job->progress;
    } else {
        ret->position = schedule_position(queue->schedule, job);
    }
    free(copy); /* its texts are the view's now */
    return true;
}

bool queue_get(struct queue *queue, const char *id, struct queue_view *ret,
               struct server_problem *problem)
{
    pthread_mutex_lock(&queue->lock);
    const struct job *job = schedule_find(queue->schedule, id);
    bool found = job != NULL && view_job(queue, job, ret);
    int waiting = schedule_waiting(queue->schedule, true) +
                  schedule_waiting(queue->schedule, false) + queue->reserved;
    pthread_mutex_unlock(&queue->lock);
    if (job != NULL)
        return found ||
               server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "No memory to tell of the analysis; try again later.");
    struct queue_view view = {0};
    if (!store_analysis_get(queue->config.store, id, &view.analysis, problem))
        return false;
    if (view.analysis.state == STORE_QUEUED)
        view.position = waiting > 0 ? waiting : 1; /* committed just now: the last */
    *ret = view;
    return true;
}

void queue_view_free(struct queue_view *view)
{
    store_analysis_free(&view->analysis);
}

struct running {
    char (*ids)[ID_BYTES];
    int count;
};

static void note_running(struct job *job, void *context)
{
    struct running *running = context;
    if (job->running && !job->health && running->count < QUEUE_RUNNING_MAX)
        memcpy(running->ids[running->count++], job->analysis.id, ID_BYTES);
}

int queue_running(struct queue *queue, char ids[QUEUE_RUNNING_MAX][ID_BYTES])
{
    struct running running = {.ids = ids};
    pthread_mutex_lock(&queue->lock);
    schedule_each(queue->schedule, note_running, &running);
    pthread_mutex_unlock(&queue->lock);
    return running.count;
}

struct queue_status queue_status(struct queue *queue)
{
    pthread_mutex_lock(&queue->lock);
    const struct schedule *schedule = queue->schedule;
    struct queue_status status = {
        .waiting = schedule_waiting(schedule, false),
        .running = schedule_running(schedule, false),
        .oldest_ms = schedule_oldest_ms(schedule),
        .health = {.waiting = schedule_waiting(schedule, true),
                   .running = schedule_running(schedule, true),
                   .done = queue->looked_at[STORE_DONE],
                   .failed = queue->looked_at[STORE_FAILED]},
        .quarantined = queue->quarantined,
        .done = queue->ended[STORE_DONE],
        .failed = queue->ended[STORE_FAILED],
        .cancelled = queue->ended[STORE_CANCELLED],
        .took_ms = queue->took_ms,
    };
    memcpy(status.took, queue->took, sizeof status.took);
    pthread_mutex_unlock(&queue->lock);
    return status;
}
