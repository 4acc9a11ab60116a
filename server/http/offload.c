#include "server/http/offload.h"

#include <pthread.h>
#include <stdlib.h>

struct offload {
    pthread_mutex_t lock;
    pthread_cond_t changed;
    struct offload_task *first, *last;
    bool stopping;
    int thread_count;
    pthread_t threads[];
};

static struct offload_task *take(struct offload *offload)
{
    pthread_mutex_lock(&offload->lock);
    while (offload->first == NULL && !offload->stopping)
        pthread_cond_wait(&offload->changed, &offload->lock);
    struct offload_task *task = offload->first;
    if (task != NULL)
        offload->first = task->next;
    pthread_mutex_unlock(&offload->lock);
    return task;
}

static void *run(void *context)
{
    struct offload_task *task;
    while ((task = take(context)) != NULL)
        task->run(task->context);
    return NULL;
}

bool offload_start(int threads, struct offload **ret, struct server_problem *problem)
{
    struct offload *offload =
        calloc(1, sizeof *offload + (size_t)threads * sizeof offload->threads[0]);
    if (offload == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                  "There is no memory for %d threads.", threads);
    pthread_mutex_init(&offload->lock, NULL);
    pthread_cond_init(&offload->changed, NULL);
    for (int i = 0; i < threads; i++) {
        if (pthread_create(&offload->threads[i], NULL, run, offload) != 0) {
            offload_stop(offload);
            return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                                      "Only %d of %d threads could be started.", i,
                                      threads);
        }
        offload->thread_count++;
    }
    *ret = offload;
    return true;
}

void offload_stop(struct offload *offload)
{
    if (offload == NULL)
        return;
    pthread_mutex_lock(&offload->lock);
    offload->stopping = true;
    pthread_cond_broadcast(&offload->changed);
    pthread_mutex_unlock(&offload->lock);
    for (int i = 0; i < offload->thread_count; i++)
        pthread_join(offload->threads[i], NULL);
    pthread_cond_destroy(&offload->changed);
    pthread_mutex_destroy(&offload->lock);
    free(offload);
}

bool offload_submit(struct offload *offload, struct offload_task *task)
{
    task->next = NULL;
    pthread_mutex_lock(&offload->lock);
    bool runs = !offload->stopping;
    if (runs) {
        if (offload->first == NULL)
            offload->first = task;
        else
            offload->last->next = task;
        offload->last = task;
        pthread_cond_signal(&offload->changed);
    }
    pthread_mutex_unlock(&offload->lock);
    return runs;
}
