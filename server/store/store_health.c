/* The health of captures: store_health_* and store_each_unwell of store.h. */
#include "server/store/store_sqlite.h"

#include <assert.h>

/* After an UPDATE of a capture whose health was queued: says why when it met none. */
static bool one_was_queued(struct store_sql *sql, const char *id,
                           struct server_problem *problem)
{
    if (sqlite3_changes(sql->db) == 1)
        return true;
    sqlite3_stmt *row;
    int step = store_sql_look(sql, STORE_SQL_CAPTURE_GET, id, &row, problem);
    if (step == SQLITE_ROW)
        server_problem_set(problem, SERVER_PROBLEM_CONFLICT, NULL,
                           "The health of the capture %s is not queued any more, or what "
                           "was played has changed meanwhile.",
                           id);
    else if (step == SQLITE_DONE)
        server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, NULL,
                           "There is no capture %s.", id);
    sqlite3_reset(row);
    return false;
}

static bool finish(struct store_sql *sql, const void *context,
                   struct server_problem *problem)
{
    const struct store_health_end *end = context;
    const struct store_health *health = &end->health;
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_HEALTH_FINISH, problem);
    return row != NULL && store_sql_bind_text(row, 1, end->id) &&
           store_sql_bind_number(row, 2, health->state) &&
           store_sql_bind_number(row, 3, health->attempts) &&
           store_sql_bind_text(row, 4, health->report) &&
           store_sql_bind_text(row, 5, health->suggested) &&
           store_sql_bind_text(row, 6, health->problem) &&
           store_sql_bind_text(row, 7, end->format) &&
           store_sql_bind_number(row, 8, end->quarantined) &&
           store_sql_bind_text(row, 9, end->signal) &&
           store_sql_finish(sql, row, problem) && one_was_queued(sql, end->id, problem);
}

bool store_health_finish(struct store *store, const struct store_health_end *end,
                         struct server_problem *problem)
{
    assert(end->health.state == STORE_DONE || end->health.state == STORE_FAILED);
    return store_writer_make(store->writer, finish, end, problem);
}

static bool count_attempt(struct store_sql *sql, const void *context,
                          struct server_problem *problem)
{
    const struct store_sqlite_deaths *deaths = context;
    return store_sqlite_count_deaths(sql, STORE_SQL_HEALTH_ATTEMPT, deaths, problem) &&
           one_was_queued(sql, deaths->id, problem);
}

bool store_health_attempt(struct store *store, const char *id, int attempts,
                          struct server_problem *problem)
{
    const struct store_sqlite_deaths deaths = {id, attempts};
    return store_writer_make(store->writer, count_attempt, &deaths, problem);
}

static bool queue_again(struct store_sql *sql, const void *id,
                        struct server_problem *problem)
{
    return store_sql_apply(sql, STORE_SQL_HEALTH_AGAIN, id, problem);
}

bool store_health_again(struct store *store, const char *id,
                        struct server_problem *problem)
{
    return store_writer_make(store->writer, queue_again, id, problem);
}

bool store_each_unwell(struct store *store,
                       void (*each)(const struct store_capture *capture, void *context),
                       void *context, struct server_problem *problem)
{
    struct store_sql *reader = store_sqlite_take_reader(store);
    sqlite3_stmt *row = store_sql_statement(reader, STORE_SQL_CAPTURE_UNWELL, problem);
    int step = SQLITE_ERROR;
    while (row != NULL && (step = sqlite3_step(row)) == SQLITE_ROW) {
        struct store_capture capture;
        if (!store_sqlite_read_capture(row, &capture))
            break;
        each(&capture, context);
        store_capture_free(&capture);
    }
    if (row != NULL && step != SQLITE_DONE)
        store_sql_problem(reader, problem);
    sqlite3_reset(row);
    store_sqlite_give_back(store, reader);
    return step == SQLITE_DONE;
}
