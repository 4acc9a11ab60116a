#include "server/http/finished.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct finished_answer {
    atomic_int holders;
    char id[ID_BYTES];
    struct MHD_Response *response;
};

struct finished {
    pthread_mutex_t lock;
    uint64_t drops; /* so far */
    struct finished_answer *slots[FINISHED_SLOTS];
};

struct finished *finished_new(void)
{
    struct finished *finished = calloc(1, sizeof *finished);
    if (finished != NULL)
        pthread_mutex_init(&finished->lock, NULL);
    return finished;
}

void finished_free(struct finished *finished)
{
    if (finished == NULL)
        return;
    for (int i = 0; i < FINISHED_SLOTS; i++)
        finished_release(finished->slots[i]);
    pthread_mutex_destroy(&finished->lock);
    free(finished);
}

/* FNV-1a (32 bits: offset basis 2166136261, prime 16777619). The ids are random. */
static struct finished_answer **slot_of(struct finished *finished, const char *id)
{
    uint32_t hash = 2166136261u;
    for (; *id != '\0'; id++)
        hash = (hash ^ (unsigned char)*id) * 16777619u;
    return &finished->slots[hash % FINISHED_SLOTS];
}

struct finished_answer *finished_get(struct finished *finished, const char *id)
{
    struct finished_answer **slot = slot_of(finished, id);
    pthread_mutex_lock(&finished->lock);
    struct finished_answer *answer = *slot;
    if (answer != NULL && strcmp(answer->id, id) != 0)
        answer = NULL;
    if (answer != NULL)
        atomic_fetch_add(&answer->holders, 1);
    pthread_mutex_unlock(&finished->lock);
    return answer;
}

struct MHD_Response *finished_response(const struct finished_answer *answer)
{
    return answer->response;
}

void finished_release(struct finished_answer *answer)
{
    if (answer == NULL || atomic_fetch_sub(&answer->holders, 1) > 1)
        return;
    MHD_destroy_response(answer->response);
    free(answer);
}

uint64_t finished_now(struct finished *finished)
{
    pthread_mutex_lock(&finished->lock);
    uint64_t drops = finished->drops;
    pthread_mutex_unlock(&finished->lock);
    return drops;
}

struct finished_answer *finished_keep(struct finished *finished, const char *id,
                                      uint64_t since, struct MHD_Response *response)
{
    struct finished_answer *answer = calloc(1, sizeof *answer), *former = NULL;
    if (answer == NULL)
        return NULL;
    answer->response = response;
    snprintf(answer->id, sizeof answer->id, "%s", id);
    atomic_init(&answer->holders, 1);
    struct finished_answer **slot = slot_of(finished, id);
    pthread_mutex_lock(&finished->lock);
    if (finished->drops == since) {
        former = *slot;
        *slot = answer;
        atomic_fetch_add(&answer->holders, 1);
    }
    pthread_mutex_unlock(&finished->lock);
    finished_release(former);
    return answer;
}

void finished_drop(struct finished *finished, const char *id)
{
    struct finished_answer **slot = slot_of(finished, id), *dropped = NULL;
    pthread_mutex_lock(&finished->lock);
    finished->drops++;
    if (*slot != NULL && strcmp((*slot)->id, id) == 0) {
        dropped = *slot;
        *slot = NULL;
    }
    pthread_mutex_unlock(&finished->lock);
    finished_release(dropped);
}
