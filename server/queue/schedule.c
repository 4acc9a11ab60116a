#include "server/queue/schedule.h"

#include <stdlib.h>
#include <string.h>

enum { BUCKETS = 4096 };

/** A tester with jobs waiting. The list of them is in the order of their turns. */
struct tester {
    struct tester *next;
    struct job *first, *last;
    uint64_t added; /* jobs so far: the next one's number */
    char name[];
};

struct schedule {
    struct tester *first, *last;
    struct job *buckets[BUCKETS];
    int waiting, running;
};

static char *copy_text(const char *text, bool *whole)
{
    char *copy = text ? strdup(text) : NULL;
    *whole = *whole && (copy != NULL || text == NULL);
    return copy;
}

struct job *schedule_job_new(const struct store_analysis *analysis)
{
    struct job *job = calloc(1, sizeof *job);
    if (job == NULL)
        return NULL;
    bool whole = true;
    job->analysis = *analysis;
    job->analysis.measurement = copy_text(analysis->measurement, &whole);
    job->analysis.settings = copy_text(analysis->settings, &whole);
    job->analysis.tester = copy_text(analysis->tester, &whole);
    job->analysis.problem = copy_text(analysis->problem, &whole);
    if (!whole) {
        schedule_job_free(job);
        return NULL;
    }
    return job;
}

void schedule_job_free(struct job *job)
{
    if (job == NULL)
        return;
    free(job->analysis.measurement);
    free(job->analysis.settings);
    free(job->analysis.tester);
    free(job->analysis.problem);
    free(job);
}

struct schedule *schedule_new(void)
{
    return calloc(1, sizeof(struct schedule));
}

void schedule_free(struct schedule *schedule)
{
    if (schedule == NULL)
        return;
    for (int i = 0; i < BUCKETS; i++)
        for (struct job *job = schedule->buckets[i], *next; job; job = next) {
            next = job->next_of_bucket;
            schedule_job_free(job);
        }
    for (struct tester *tester = schedule->first, *next; tester; tester = next) {
        next = tester->next;
        free(tester);
    }
    free(schedule);
}

/** FNV-1a. */
static unsigned bucket_of(const char *id)
{
    uint32_t hash = 2166136261u;
    for (; *id; id++)
        hash = (hash ^ (unsigned char)*id) * 16777619u;
    return hash % BUCKETS;
}

static struct tester *find_tester(const struct schedule *schedule, const char *name)
{
    struct tester *tester = schedule->first;
    while (tester && strcmp(tester->name, name) != 0)
        tester = tester->next;
    return tester;
}

static void append_tester(struct schedule *schedule, struct tester *tester)
{
    tester->next = NULL;
    if (schedule->last)
        schedule->last->next = tester;
    else
        schedule->first = tester;
    schedule->last = tester;
}

static struct tester *add_tester(struct schedule *schedule, const char *name)
{
    size_t bytes = strlen(name) + 1;
    struct tester *tester = calloc(1, sizeof *tester + bytes);
    if (tester == NULL)
        return NULL;
    memcpy(tester->name, name, bytes);
    append_tester(schedule, tester);
    return tester;
}

bool schedule_add(struct schedule *schedule, struct job *job)
{
    struct tester *tester = find_tester(schedule, job->analysis.tester);
    if (tester == NULL)
        tester = add_tester(schedule, job->analysis.tester);
    if (tester == NULL)
        return false;
    job->tester = tester;
    job->number = tester->added++;
    job->next_of_tester = NULL;
    if (tester->last)
        tester->last->next_of_tester = job;
    else
        tester->first = job;
    tester->last = job;

    struct job **bucket = &schedule->buckets[bucket_of(job->analysis.id)];
    job->next_of_bucket = *bucket;
    *bucket = job;
    schedule->waiting++;
    return true;
}

static void remove_tester(struct schedule *schedule, struct tester *tester)
{
    struct tester *before = NULL;
    struct tester **link = &schedule->first;
    while (*link != tester) {
        before = *link;
        link = &before->next;
    }
    *link = tester->next;
    if (schedule->last == tester)
        schedule->last = before;
}

struct job *schedule_take(struct schedule *schedule)
{
    struct tester *tester = schedule->first;
    if (tester == NULL)
        return NULL;
    remove_tester(schedule, tester);

    struct job *job = tester->first;
    tester->first = job->next_of_tester;
    if (tester->first)
        append_tester(schedule, tester); /* its next turn is after all others' */
    else
        free(tester);
    job->tester = NULL;
    job->next_of_tester = NULL;
    job->running = true;
    schedule->waiting--;
    schedule->running++;
    return job;
}

/* Those of its tester behind it move up. */
static void withdraw(struct schedule *schedule, struct job *job)
{
    struct tester *tester = job->tester;
    struct job *before = NULL;
    struct job **link = &tester->first;
    while (*link != job) {
        before = *link;
        link = &before->next_of_tester;
    }
    *link = job->next_of_tester;
    if (tester->last == job)
        tester->last = before;
    for (struct job *behind = *link; behind; behind = behind->next_of_tester)
        behind->number--;
    tester->added--;
    if (tester->first == NULL) {
        remove_tester(schedule, tester);
        free(tester);
    }
    job->tester = NULL;
    job->next_of_tester = NULL;
    schedule->waiting--;
}

void schedule_remove(struct schedule *schedule, struct job *job)
{
    if (job->running)
        schedule->running--;
    else
        withdraw(schedule, job);
    struct job **link = &schedule->buckets[bucket_of(job->analysis.id)];
    while (*link != job)
        link = &(*link)->next_of_bucket;
    *link = job->next_of_bucket;
    job->next_of_bucket = NULL;
}

struct job *schedule_find(const struct schedule *schedule, const char *id)
{
    struct job *job = schedule->buckets[bucket_of(id)];
    while (job && strcmp(job->analysis.id, id) != 0)
        job = job->next_of_bucket;
    return job;
}

void schedule_each(const struct schedule *schedule,
                   void (*each)(struct job *job, void *context), void *context)
{
    for (int i = 0; i < BUCKETS; i++)
        for (struct job *job = schedule->buckets[i]; job; job = job->next_of_bucket)
            each(job, context);
}

int schedule_position(const struct schedule *schedule, const struct job *job)
{
    /* Before the job's turn come `before` turns of its own tester, as many of every
     * tester after it in the round, and one more of those before it, as far as they have
     * jobs. */
    uint64_t before = job->number - job->tester->first->number;
    uint64_t position = 1 + before, turns = before + 1;
    for (const struct tester *tester = schedule->first; tester; tester = tester->next) {
        if (tester == job->tester) {
            turns = before;
            continue;
        }
        uint64_t jobs = tester->added - tester->first->number;
        position += jobs < turns ? jobs : turns;
    }
    return (int)position;
}

int schedule_waiting(const struct schedule *schedule)
{
    return schedule->waiting;
}

int64_t schedule_oldest_ms(const struct schedule *schedule)
{
    int64_t oldest_ms = 0;
    for (const struct tester *tester = schedule->first; tester; tester = tester->next) {
        int64_t created_ms = tester->first->analysis.created_ms;
        if (oldest_ms == 0 || created_ms < oldest_ms)
            oldest_ms = created_ms;
    }
    return oldest_ms;
}

int schedule_running(const struct schedule *schedule)
{
    return schedule->running;
}
