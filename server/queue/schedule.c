#include "server/queue/schedule.h"

#include <stdlib.h>
#include <string.h>

enum { BUCKETS = 4096 };

/** A tester with jobs of a kind waiting. The list of them is in the order of their turns.
 */
struct tester {
    struct tester *next;
    struct job *first, *last;
    uint64_t added; /* jobs so far: the next one's number */
    char name[];
};

/** All jobs of a kind. */
struct round {
    struct tester *first, *last;
    int waiting, running;
};

struct schedule {
    struct round rounds[2]; /* of analyses, of health */
    struct job *buckets[BUCKETS];
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
    job->analysis.signal = copy_text(analysis->signal, &whole);
    job->analysis.tester = copy_text(analysis->tester, &whole);
    job->analysis.problem = copy_text(analysis->problem, &whole);
    if (!whole) {
        schedule_job_free(job);
        return NULL;
    }
    return job;
}

struct job *schedule_health_new(const struct store_capture *capture)
{
    struct store_analysis facts = {.tester = capture->tester,
                                   .attempts = capture->health.attempts,
                                   .created_ms = capture->received_ms};
    memcpy(facts.id, capture->id, sizeof facts.id);
    struct job *job = schedule_job_new(&facts);
    if (job != NULL)
        job->health = true;
    return job;
}

void schedule_job_free(struct job *job)
{
    if (job == NULL)
        return;
    free(job->analysis.measurement);
    free(job->analysis.settings);
    free(job->analysis.signal);
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
    for (int kind = 0; kind < 2; kind++)
        for (struct tester *tester = schedule->rounds[kind].first, *next; tester;
             tester = next) {
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

static struct tester *find_tester(const struct round *round, const char *name)
{
    struct tester *tester = round->first;
    while (tester && strcmp(tester->name, name) != 0)
        tester = tester->next;
    return tester;
}

static void append_tester(struct round *round, struct tester *tester)
{
    tester->next = NULL;
    if (round->last)
        round->last->next = tester;
    else
        round->first = tester;
    round->last = tester;
}

static struct tester *add_tester(struct round *round, const char *name)
{
    size_t bytes = strlen(name) + 1;
    struct tester *tester = calloc(1, sizeof *tester + bytes);
    if (tester == NULL)
        return NULL;
    memcpy(tester->name, name, bytes);
    append_tester(round, tester);
    return tester;
}

static struct tester *tester_of(struct round *round, const struct job *job)
{
    struct tester *tester = find_tester(round, job->analysis.tester);
    return tester ? tester : add_tester(round, job->analysis.tester);
}

bool schedule_add(struct schedule *schedule, struct job *job)
{
    struct round *round = &schedule->rounds[job->health];
    struct tester *tester = tester_of(round, job);
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
    round->waiting++;
    return true;
}

static void remove_tester(struct round *round, struct tester *tester)
{
    struct tester *before = NULL;
    struct tester **link = &round->first;
    while (*link != tester) {
        before = *link;
        link = &before->next;
    }
    *link = tester->next;
    if (round->last == tester)
        round->last = before;
}

/* Out of its tester's list; those behind it move up. */
static void unlink_job(struct job *job)
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
    if (before != NULL) { /* without: numbers count from the first one's */
        for (struct job *behind = *link; behind; behind = behind->next_of_tester)
            behind->number--;
        tester->added--;
    }
    job->tester = NULL;
    job->next_of_tester = NULL;
}

static bool must_wait(const struct schedule *schedule, const struct job *job)
{
    const struct store_analysis *analysis = &job->analysis;
    return !job->health && (schedule_find(schedule, analysis->capture) != NULL ||
                            (analysis->floor_capture[0] &&
                             schedule_find(schedule, analysis->floor_capture) != NULL));
}

/* The first job of the round that need not wait. */
static struct job *first_ready(const struct schedule *schedule, const struct round *round)
{
    for (const struct tester *tester = round->first; tester; tester = tester->next)
        for (struct job *job = tester->first; job; job = job->next_of_tester)
            if (!must_wait(schedule, job))
                return job;
    return NULL;
}

struct job *schedule_take(struct schedule *schedule)
{
    struct round *round = &schedule->rounds[true];
    struct job *job = first_ready(schedule, round);
    if (job == NULL) {
        round = &schedule->rounds[false];
        job = first_ready(schedule, round);
    }
    if (job == NULL)
        return NULL;
    struct tester *tester = job->tester;
    unlink_job(job);
    remove_tester(round, tester);
    if (tester->first)
        append_tester(round, tester); /* its next turn is after all others' */
    else
        free(tester);
    job->running = true;
    round->waiting--;
    round->running++;
    return job;
}

bool schedule_return(struct schedule *schedule, struct job *job)
{
    struct round *round = &schedule->rounds[job->health];
    struct tester *tester = tester_of(round, job);
    if (tester == NULL)
        return false;
    job->tester = tester;
    job->number = (tester->first ? tester->first->number : tester->added) - 1;
    if (tester->first == NULL)
        tester->last = job;
    job->next_of_tester = tester->first;
    tester->first = job;
    job->running = false;
    round->running--;
    round->waiting++;
    return true;
}

static void withdraw(struct round *round, struct job *job)
{
    struct tester *tester = job->tester;
    unlink_job(job);
    if (tester->first == NULL) {
        remove_tester(round, tester);
        free(tester);
    }
    round->waiting--;
}

void schedule_remove(struct schedule *schedule, struct job *job)
{
    struct round *round = &schedule->rounds[job->health];
    if (job->running)
        round->running--;
    else
        withdraw(round, job);
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
    /* Before the job's turn come all of health, where it is none, and of its own kind
     * `before` turns of its own tester, as many of every tester after it in the round,
     * and one more of those before it, as far as they have jobs. */
    const struct round *round = &schedule->rounds[job->health];
    uint64_t before = job->number - job->tester->first->number;
    uint64_t position = 1 + before, turns = before + 1;
    if (!job->health)
        position += (uint64_t)schedule->rounds[true].waiting;
    for (const struct tester *tester = round->first; tester; tester = tester->next) {
        if (tester == job->tester) {
            turns = before;
            continue;
        }
        uint64_t jobs = tester->added - tester->first->number;
        position += jobs < turns ? jobs : turns;
    }
    return (int)position;
}

int schedule_waiting(const struct schedule *schedule, bool health)
{
    return schedule->rounds[health].waiting;
}

int schedule_running(const struct schedule *schedule, bool health)
{
    return schedule->rounds[health].running;
}

int64_t schedule_oldest_ms(const struct schedule *schedule)
{
    int64_t oldest_ms = 0;
    const struct tester *tester = schedule->rounds[false].first;
    for (; tester; tester = tester->next) {
        int64_t created_ms = tester->first->analysis.created_ms;
        if (oldest_ms == 0 || created_ms < oldest_ms)
            oldest_ms = created_ms;
    }
    return oldest_ms;
}
