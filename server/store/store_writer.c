#include "server/store/store_writer.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>

#include "server/store/ballast.h"

/* A change that waits; it lives on the stack of the thread that waits for it. */
struct request {
    store_writer_change *change;
    const void *context;
    struct server_problem problem;
    bool made; /* the change itself succeeded */
    bool ended;
    struct request *next;
};

struct store_writer {
    struct store_sql *sql;
    int folder; /* of the ballast */
    pthread_t thread;
    pthread_mutex_t lock; /* over all below and every request's `ended` */
    pthread_cond_t arrived, ended;
    struct request *first, **last;
    bool stopping;
    atomic_bool sync_failed;
};

/* Some errors (a full disk, no memory) roll back the whole transaction: the changes made
 * before in it are gone, too, and further ones would be committed each by itself. */
static bool transaction_is_gone(const struct store_sql *sql)
{
    return sqlite3_get_autocommit(sql->db) != 0;
}

static void make_change(struct store_sql *sql, struct request *request)
{
    struct server_problem *problem = &request->problem;
    if (!store_sql_run(sql, "SAVEPOINT one", problem))
        return;
    request->made = request->change(sql, request->context, problem);
    if (!request->made && problem->code == SERVER_PROBLEM_NONE)
        store_sql_problem(sql, problem);
    if (transaction_is_gone(sql))
        return;
    if (!store_sql_run(
            sql, request->made ? "RELEASE one" : "ROLLBACK TO one; RELEASE one", problem))
        request->made = false;
}

/* Changes of one transaction; false with the problem when none of them came to the disk.
 */
static bool commit_together(struct store_writer *writer, struct request *first,
                            struct server_problem *problem)
{
    struct store_sql *sql = writer->sql;
    if (!store_sql_run(sql, "BEGIN IMMEDIATE", problem))
        return false;
    for (struct request *request = first; request != NULL; request = request->next) {
        make_change(sql, request);
        if (transaction_is_gone(sql)) {
            *problem = request->problem;
            return false;
        }
    }
    if (store_sql_run(sql, "COMMIT", problem))
        return true;
    int code = sqlite3_extended_errcode(sql->db);
    if (code == SQLITE_IOERR_FSYNC || code == SQLITE_IOERR_DIR_FSYNC)
        atomic_store(&writer->sync_failed, true);
    if (!transaction_is_gone(sql))
        sqlite3_exec(sql->db, "ROLLBACK", NULL, NULL, NULL);
    return false;
}

/* On a full disk tried once more, without the ballast. */
static bool commit_somehow(struct store_writer *writer, struct request *first,
                           struct server_problem *problem)
{
    if (commit_together(writer, first, problem))
        return true;
    if (problem->code != SERVER_PROBLEM_DISK_FULL || !ballast_give_up(writer->folder))
        return false;
    *problem = (struct server_problem){0};
    for (struct request *request = first; request != NULL; request = request->next) {
        request->made = false;
        request->problem = (struct server_problem){0};
    }
    return commit_together(writer, first, problem);
}

bool store_writer_has_failed(const struct store_writer *writer)
{
    return atomic_load(&writer->sync_failed);
}

static void commit_batch(struct store_writer *writer, struct request *first)
{
    struct server_problem problem = {0};
    bool committed = false;
    if (store_writer_has_failed(writer))
        server_problem_set(&problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                           "An earlier change of residuum.db could not be brought to the "
                           "disk; check the disk, then start residuumd again.");
    else
        committed = commit_somehow(writer, first, &problem);
    for (struct request *request = first; request != NULL && !committed;
         request = request->next) {
        request->made = false;
        if (request->problem.code == SERVER_PROBLEM_NONE)
            request->problem = problem;
    }
}

static void *write_batches(void *context)
{
    struct store_writer *writer = context;
    pthread_mutex_lock(&writer->lock);
    for (;;) {
        while (writer->first == NULL && !writer->stopping)
            pthread_cond_wait(&writer->arrived, &writer->lock);
        struct request *batch = writer->first;
        if (batch == NULL)
            break;
        writer->first = NULL;
        writer->last = &writer->first;
        pthread_mutex_unlock(&writer->lock);
        commit_batch(writer, batch);
        pthread_mutex_lock(&writer->lock);
        /* A request is gone as soon as its thread sees `ended` and gets the lock. */
        for (struct request *next; batch != NULL; batch = next) {
            next = batch->next;
            batch->ended = true;
        }
        pthread_cond_broadcast(&writer->ended);
    }
    pthread_mutex_unlock(&writer->lock);
    return NULL;
}

bool store_writer_start(struct store_sql *sql, int folder, struct store_writer **ret,
                        struct server_problem *problem)
{
    struct store_writer *writer = calloc(1, sizeof *writer);
    if (writer == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "There is no memory for the database's thread.");
    writer->sql = sql;
    writer->folder = folder;
    writer->last = &writer->first;
    pthread_mutex_init(&writer->lock, NULL);
    pthread_cond_init(&writer->arrived, NULL);
    pthread_cond_init(&writer->ended, NULL);
    int error = pthread_create(&writer->thread, NULL, write_batches, writer);
    if (error != 0) {
        free(writer);
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "The database's thread cannot be started: %s.",
                                  strerror(error));
    }
    *ret = writer;
    return true;
}

void store_writer_stop(struct store_writer *writer)
{
    if (writer == NULL)
        return;
    pthread_mutex_lock(&writer->lock);
    writer->stopping = true;
    pthread_cond_signal(&writer->arrived);
    pthread_mutex_unlock(&writer->lock);
    pthread_join(writer->thread, NULL);
    pthread_cond_destroy(&writer->ended);
    pthread_cond_destroy(&writer->arrived);
    pthread_mutex_destroy(&writer->lock);
    free(writer);
}

bool store_writer_make(struct store_writer *writer, store_writer_change *change,
                       const void *context, struct server_problem *problem)
{
    struct request request = {.change = change, .context = context};
    pthread_mutex_lock(&writer->lock);
    *writer->last = &request;
    writer->last = &request.next;
    pthread_cond_signal(&writer->arrived);
    while (!request.ended)
        pthread_cond_wait(&writer->ended, &writer->lock);
    pthread_mutex_unlock(&writer->lock);
    if (!request.made && problem != NULL && problem->code == SERVER_PROBLEM_NONE)
        *problem = request.problem;
    return request.made;
}
