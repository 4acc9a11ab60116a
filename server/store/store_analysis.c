/* Analyses: store_analysis_* but the removal, and store_each_queued of store.h. */
#include "server/store/store_sqlite.h"

#include <assert.h>
#include <stdlib.h>

#include "server/base/log.h"

/* Which of the captures is missing. */
static void name_missing(struct store_sql *sql, const struct store_analysis *analysis,
                         struct server_problem *problem)
{
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_CAPTURE_GET, problem);
    if (row == NULL || !store_sql_bind_text(row, 1, analysis->capture))
        return;
    bool there = sqlite3_step(row) == SQLITE_ROW;
    sqlite3_reset(row);
    server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND,
                       there ? "floor_capture" : "capture", "There is no capture %s.",
                       there ? analysis->floor_capture : analysis->capture);
}

bool store_sqlite_add_analysis(struct store_sql *sql, const void *row_to_add,
                               struct server_problem *problem)
{
    const struct store_analysis *analysis = row_to_add;
    const char *floor = analysis->floor_capture[0] ? analysis->floor_capture : NULL;
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_ANALYSIS_ADD, problem);
    if (row == NULL || !store_sql_bind_text(row, 1, analysis->id) ||
        !store_sql_bind_text(row, 2, analysis->capture) ||
        !store_sql_bind_text(row, 3, analysis->measurement) ||
        !store_sql_bind_text(row, 4, analysis->settings) ||
        !store_sql_bind_text(row, 5, analysis->tester) ||
        !store_sql_bind_number(row, 6, analysis->state) ||
        !store_sql_bind_number(row, 7, analysis->attempts) ||
        !store_sql_bind_number(row, 8, analysis->created_ms) ||
        !store_sql_bind_number(row, 9, analysis->started_ms) ||
        !store_sql_bind_number(row, 10, analysis->finished_ms) ||
        !store_sql_bind_text(row, 11, analysis->problem) ||
        !store_sql_bind_text(row, 12, floor) ||
        !store_sql_bind_text(row, 13, analysis->signal))
        return false;
    int step = sqlite3_step(row);
    if (step == SQLITE_CONSTRAINT_FOREIGNKEY)
        name_missing(sql, analysis, problem);
    else if (step != SQLITE_DONE)
        store_sql_problem(sql, problem);
    sqlite3_reset(row);
    return step == SQLITE_DONE;
}

bool store_analysis_add(struct store *store, const struct store_analysis *analysis,
                        struct server_problem *problem)
{
    assert(analysis->state != STORE_RUNNING); /* known to the queue only */
    return store_writer_make(store->writer, store_sqlite_add_analysis, analysis, problem);
}

/* After an UPDATE of a queued analysis: says why when it met none. */
static bool one_was_queued(struct store_sql *sql, const char *id,
                           struct server_problem *problem)
{
    if (sqlite3_changes(sql->db) == 1)
        return true;
    sqlite3_stmt *row;
    int step = store_sql_look(sql, STORE_SQL_ANALYSIS_GET, id, &row, problem);
    if (step == SQLITE_ROW)
        server_problem_set(
            problem, SERVER_PROBLEM_CONFLICT, NULL,
            "The analysis %s has ended before (%s).", id,
            store_state_text((enum store_state)sqlite3_column_int(row, 6)));
    else if (step == SQLITE_DONE)
        server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, NULL,
                           "There is no analysis %s.", id);
    sqlite3_reset(row);
    return false;
}

static bool finish(struct store_sql *sql, const void *context,
                   struct server_problem *problem)
{
    const struct store_analysis *analysis = context;
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_ANALYSIS_FINISH, problem);
    return row != NULL && store_sql_bind_text(row, 1, analysis->id) &&
           store_sql_bind_number(row, 2, analysis->state) &&
           store_sql_bind_number(row, 3, analysis->attempts) &&
           store_sql_bind_number(row, 4, analysis->started_ms) &&
           store_sql_bind_number(row, 5, analysis->finished_ms) &&
           store_sql_bind_text(row, 6, analysis->problem) &&
           store_sql_finish(sql, row, problem) &&
           one_was_queued(sql, analysis->id, problem);
}

bool store_analysis_finish(struct store *store, const struct store_analysis *analysis,
                           struct server_problem *problem)
{
    assert(analysis->state > STORE_RUNNING); /* an end */
    return store_writer_make(store->writer, finish, analysis, problem);
}

static bool finish_quarantined(struct store_sql *sql, const void *context,
                               struct server_problem *problem)
{
    const struct store_analysis *analysis = context;
    return finish(sql, context, problem) &&
           store_sql_apply(sql, STORE_SQL_CAPTURE_QUARANTINE, analysis->capture, problem);
}

bool store_analysis_quarantine(struct store *store, const struct store_analysis *analysis,
                               struct server_problem *problem)
{
    assert(analysis->state == STORE_FAILED);
    return store_writer_make(store->writer, finish_quarantined, analysis, problem);
}

static bool count_attempt(struct store_sql *sql, const void *context,
                          struct server_problem *problem)
{
    const struct store_sqlite_deaths *deaths = context;
    return store_sqlite_count_deaths(sql, STORE_SQL_ANALYSIS_ATTEMPT, deaths, problem) &&
           one_was_queued(sql, deaths->id, problem);
}

bool store_analysis_attempt(struct store *store, const char *id, int attempts,
                            struct server_problem *problem)
{
    const struct store_sqlite_deaths deaths = {id, attempts};
    return store_writer_make(store->writer, count_attempt, &deaths, problem);
}

/* Fills *ret from a row of STORE_SQL_ANALYSIS_COLUMNS; false when memory ran out. */
static bool read_row(sqlite3_stmt *row, void *item)
{
    struct store_analysis *ret = item;
    bool whole = true;
    struct store_analysis analysis = {0};
    sqlite3_snprintf(sizeof analysis.id, analysis.id, "%s", sqlite3_column_text(row, 1));
    sqlite3_snprintf(sizeof analysis.capture, analysis.capture, "%s",
                     sqlite3_column_text(row, 2));
    const unsigned char *floor = sqlite3_column_text(row, 12);
    if (floor != NULL)
        sqlite3_snprintf(sizeof analysis.floor_capture, analysis.floor_capture, "%s",
                         floor);
    analysis.measurement = store_sql_text(row, 3, &whole);
    analysis.settings = store_sql_text(row, 4, &whole);
    analysis.tester = store_sql_text(row, 5, &whole);
    analysis.state = (enum store_state)sqlite3_column_int(row, 6);
    analysis.attempts = sqlite3_column_int(row, 7);
    analysis.created_ms = sqlite3_column_int64(row, 8);
    analysis.started_ms = sqlite3_column_int64(row, 9);
    analysis.finished_ms = sqlite3_column_int64(row, 10);
    analysis.problem = store_sql_text(row, 11, &whole);
    analysis.signal = store_sql_text(row, 13, &whole);
    if (!whole) {
        store_analysis_free(&analysis);
        return false;
    }
    *ret = analysis;
    return true;
}

void store_analysis_free(struct store_analysis *analysis)
{
    free(analysis->measurement);
    free(analysis->settings);
    free(analysis->signal);
    free(analysis->tester);
    free(analysis->problem);
    *analysis = (struct store_analysis){0};
}

static void free_row(void *item)
{
    store_analysis_free(item);
}

static const struct store_sqlite_kind analyses = {
    .table = "analysis",
    .columns = STORE_SQL_ANALYSIS_COLUMNS,
    .get = STORE_SQL_ANALYSIS_GET,
    .item_bytes = sizeof(struct store_analysis),
    .read = read_row,
    .free = free_row,
};

bool store_analysis_get(struct store *store, const char *id, struct store_analysis *ret,
                        struct server_problem *problem)
{
    return store_sqlite_get(store, &analyses, id, ret, problem);
}

bool store_analysis_list(struct store *store, const struct store_query *query,
                         struct store_analysis_page *ret, struct server_problem *problem)
{
    struct store_sqlite_page page;
    if (!store_sqlite_list(store, &analyses, query, &page, problem))
        return false;
    *ret = (struct store_analysis_page){page.items, page.count, page.next};
    return true;
}

void store_analysis_page_free(struct store_analysis_page *page)
{
    for (int i = 0; i < page->count; i++)
        store_analysis_free(&page->items[i]);
    free(page->items);
    *page = (struct store_analysis_page){0};
}

/* Calls `each` for every row of a bound statement. */
static bool visit(struct store_sql *reader, sqlite3_stmt *row,
                  void (*each)(const struct store_analysis *analysis, void *context),
                  void *context, struct server_problem *problem)
{
    int step;
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        struct store_analysis analysis;
        if (!read_row(row, &analysis))
            break;
        each(&analysis, context);
        store_analysis_free(&analysis);
    }
    if (step != SQLITE_DONE)
        store_sql_problem(reader, problem);
    sqlite3_reset(row);
    return step == SQLITE_DONE;
}

bool store_each_queued(struct store *store,
                       void (*each)(const struct store_analysis *analysis, void *context),
                       void *context, struct server_problem *problem)
{
    struct store_sql *reader = store_sqlite_take_reader(store);
    sqlite3_stmt *row = store_sql_statement(reader, STORE_SQL_ANALYSIS_QUEUED, problem);
    bool visited = row != NULL && visit(reader, row, each, context, problem);
    store_sqlite_give_back(store, reader);
    return visited;
}

bool store_each_ordered(struct store *store, const struct store_capture *capture,
                        void (*each)(const struct store_analysis *analysis,
                                     void *context),
                        void *context, struct server_problem *problem)
{
    struct store_sql *reader = store_sqlite_take_reader(store);
    sqlite3_stmt *row = store_sql_statement(reader, STORE_SQL_ANALYSIS_ORDERED, problem);
    bool visited = row != NULL && store_sql_bind_text(row, 1, capture->id) &&
                   store_sql_bind_number(row, 2, capture->received_ms) &&
                   visit(reader, row, each, context, problem);
    store_sqlite_give_back(store, reader);
    return visited;
}
