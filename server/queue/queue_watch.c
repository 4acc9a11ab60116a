/* Those who wait for the end of an analysis. */
#include "server/queue/queue_parts.h"

#include <stdlib.h>

void queue_watch_call(struct queue *queue, struct job *job)
{
    while (job->watches) {
        struct queue_watch *watch = job->watches;
        job->watches = watch->next;
        watch->job = NULL;
        watch->state = CALLING;
        pthread_mutex_unlock(&queue->lock);
        watch->ended(watch->context);
        pthread_mutex_lock(&queue->lock);
        watch->state = CALLED;
        pthread_cond_broadcast(&queue->changed);
    }
}

void queue_watch_end(struct queue *queue, struct job *job)
{
    schedule_remove(queue->schedule, job);
    queue_watch_call(queue, job);
    schedule_job_free(job);
}

bool queue_watch(struct queue *queue, const char *id, void (*ended)(void *context),
                 void *context, struct queue_watch **ret)
{
    struct queue_watch *watch = calloc(1, sizeof *watch);
    if (watch == NULL)
        return false;
    *watch = (struct queue_watch){.state = CALLED, .ended = ended, .context = context};
    pthread_mutex_lock(&queue->lock);
    struct job *job = schedule_find(queue->schedule, id);
    if (job != NULL) {
        watch->job = job;
        watch->state = WATCHING;
        watch->next = job->watches;
        job->watches = watch;
        *ret = watch;
    }
    pthread_mutex_unlock(&queue->lock);
    if (job != NULL)
        return true;

    struct store_analysis analysis;
    if (!store_analysis_get(queue->config.store, id, &analysis, NULL)) {
        free(watch);
        return false;
    }
    store_analysis_free(&analysis);
    *ret = watch;
    ended(context);
    return true;
}

void queue_unwatch(struct queue *queue, struct queue_watch *watch)
{
    if (watch == NULL)
        return;
    pthread_mutex_lock(&queue->lock);
    while (watch->state == CALLING)
        pthread_cond_wait(&queue->changed, &queue->lock);
    if (watch->job != NULL) {
        struct queue_watch **link = &watch->job->watches;
        while (*link != watch)
            link = &(*link)->next;
        *link = watch->next;
    }
    pthread_mutex_unlock(&queue->lock);
    free(watch);
}
