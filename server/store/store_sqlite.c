#include "server/store/store_sqlite.h"

#include <assert.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "server/base/limits.h"
#include "server/store/store_schema.h"

enum {
    FIRST_ID_PARAMETER = 7,
    ID_CONDITION_BYTES = 32 + 5 * STORE_QUERY_IDS_MAX,
};

/* The database's own name must outlast a power failure, too. */
static bool sync_folder(struct store *store, const char *folder,
                        struct server_problem *problem)
{
    store->folder = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    return (store->folder >= 0 && fsync(store->folder) == 0) ||
           server_problem_set(
               problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
               "The state folder %.250s could not be brought to the disk (%m).", folder);
}

bool store_open(const char *state_folder, struct store **ret,
                struct server_problem *problem)
{
    char path[PATH_MAX];
    struct store *store = calloc(1, sizeof *store);
    if (store == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                  "There is no memory for the database.");
    store->folder = -1;
    pthread_mutex_init(&store->lock, NULL);
    pthread_cond_init(&store->given_back, NULL);
    bool opened = false;
    if (snprintf(path, sizeof path, "%s/residuum.db", state_folder) >= (int)sizeof path) {
        server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                           "The path of the state folder is longer than %d bytes; name a "
                           "shorter one with --state.",
                           PATH_MAX - 13);
        goto out;
    }
    if (!store_schema_before(path, state_folder, problem) ||
        !store_sql_open(path, false, &store->writing, problem) ||
        !store_schema_ready(&store->writing, state_folder, problem) ||
        !sync_folder(store, state_folder, problem))
        goto out;
    for (int i = 0; i < STORE_SQLITE_READERS; i++)
        if (!store_sql_open(path, true, &store->readers[i], problem))
            goto out;
    opened = store_writer_start(&store->writing, store->folder, &store->writer, problem);
out:
    if (opened)
        *ret = store;
    else
        store_close(store);
    return opened;
}

void store_close(struct store *store)
{
    if (store == NULL)
        return;
    store_writer_stop(store->writer);
    for (int i = 0; i < STORE_SQLITE_READERS; i++)
        store_sql_close(&store->readers[i]);
    /* The last connection to close moves the write-ahead log into the file: only the
     * writing one may do so. */
    store_sql_close(&store->writing);
    if (store->folder >= 0)
        close(store->folder);
    pthread_cond_destroy(&store->given_back);
    pthread_mutex_destroy(&store->lock);
    free(store);
}

bool store_takes_changes(const struct store *store)
{
    return !store_writer_has_failed(store->writer);
}

struct store_sql *store_sqlite_take_reader(struct store *store)
{
    struct store_sql *reader = NULL;
    pthread_mutex_lock(&store->lock);
    while (reader == NULL) {
        for (int i = 0; i < STORE_SQLITE_READERS && reader == NULL; i++) {
            if (!store->taken[i]) {
                store->taken[i] = true;
                reader = &store->readers[i];
            }
        }
        if (reader == NULL)
            pthread_cond_wait(&store->given_back, &store->lock);
    }
    pthread_mutex_unlock(&store->lock);
    return reader;
}

void store_sqlite_give_back(struct store *store, struct store_sql *reader)
{
    pthread_mutex_lock(&store->lock);
    store->taken[reader - store->readers] = false;
    pthread_cond_signal(&store->given_back);
    pthread_mutex_unlock(&store->lock);
}

/* " AND id IN (?7,?8)", or nothing. */
static void id_condition(const struct store_query *query, char text[ID_CONDITION_BYTES])
{
    size_t used = 0;
    text[0] = '\0';
    if (query->ids == NULL)
        return;
    assert(query->id_count <= STORE_QUERY_IDS_MAX);
    used += (size_t)snprintf(text, ID_CONDITION_BYTES, " AND id %sIN (",
                             query->ids_excluded ? "NOT " : "");
    for (int i = 0; i < query->id_count; i++)
        used += (size_t)snprintf(text + used, ID_CONDITION_BYTES - used, "%s?%d",
                                 i > 0 ? "," : "", FIRST_ID_PARAMETER + i);
    snprintf(text + used, ID_CONDITION_BYTES - used, ")");
}

static bool bind_ids(sqlite3_stmt *page, const struct store_query *query)
{
    for (int i = 0; query->ids != NULL && i < query->id_count; i++)
        if (!store_sql_bind_text(page, FIRST_ID_PARAMETER + i, query->ids[i]))
            return false;
    return true;
}

bool store_sqlite_get(struct store *store, const struct store_sqlite_kind *kind,
                      const char *id, void *item, struct server_problem *problem)
{
    struct store_sql *reader = store_sqlite_take_reader(store);
    bool found = false;
    sqlite3_stmt *row = store_sql_statement(reader, kind->get, problem);
    if (row != NULL) {
        int step = store_sql_bind_text(row, 1, id) ? sqlite3_step(row) : SQLITE_NOMEM;
        found = step == SQLITE_ROW && kind->read(row, item);
        if (!found && step != SQLITE_DONE)
            store_sql_problem(reader, problem);
        sqlite3_reset(row);
    }
    store_sqlite_give_back(store, reader);
    return found;
}

/* Prepares one page of a query: bound, newest first, one row more than the limit (it
 * tells whether there is a next page). NULL with the problem; sqlite3_finalize it. */
static sqlite3_stmt *prepare_page(struct store_sql *reader,
                                  const struct store_sqlite_kind *kind,
                                  const struct store_query *query,
                                  struct server_problem *problem)
{
    if (query->limit < 1 || query->limit > LIMIT_PAGE_ITEMS) {
        server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "limit",
                           "limit is %d items; give 1 to %d.", query->limit,
                           LIMIT_PAGE_ITEMS);
        return NULL;
    }
    /* Conditions that do not apply are left out of the text, so that the planner sees
     * which index serves; values are always bound. */
    char text[1024], ids[ID_CONDITION_BYTES];
    id_condition(query, ids);
    snprintf(text, sizeof text,
             "SELECT %s FROM %s WHERE seq < ?1%s%s%s%s%s ORDER BY seq DESC LIMIT ?6",
             kind->columns, kind->table, query->tester ? " AND tester = ?2" : "",
             query->capture ? " AND capture = ?3" : "",
             query->measurement ? " AND measurement = ?4" : "",
             query->state >= 0 ? " AND state = ?5" : "", ids);
    sqlite3_stmt *page = NULL;
    if (sqlite3_prepare_v2(reader->db, text, -1, &page, NULL) == SQLITE_OK &&
        store_sql_bind_number(page, 1, query->before > 0 ? query->before : INT64_MAX) &&
        store_sql_bind_text(page, 2, query->tester) &&
        store_sql_bind_text(page, 3, query->capture) &&
        store_sql_bind_text(page, 4, query->measurement) &&
        store_sql_bind_number(page, 5, query->state) &&
        store_sql_bind_number(page, 6, query->limit + 1) && bind_ids(page, query))
        return page;
    store_sql_problem(reader, problem);
    sqlite3_finalize(page);
    return NULL;
}

/* Reads the rows of a page; false when memory or the database failed. */
static bool read_page(sqlite3_stmt *row, const struct store_sqlite_kind *kind, int limit,
                      struct store_sqlite_page *page)
{
    int64_t seq = 0;
    int step;
    char *items = calloc((size_t)limit, kind->item_bytes);
    page->items = items;
    if (items == NULL)
        return false;
    while ((step = sqlite3_step(row)) == SQLITE_ROW) {
        if (page->count == limit) {
            page->next = seq;
            return true;
        }
        seq = sqlite3_column_int64(row, 0);
        if (!kind->read(row, items + (size_t)page->count * kind->item_bytes))
            return false;
        page->count++;
    }
    return step == SQLITE_DONE;
}

bool store_sqlite_list(struct store *store, const struct store_sqlite_kind *kind,
                       const struct store_query *query, struct store_sqlite_page *ret,
                       struct server_problem *problem)
{
    struct store_sqlite_page page = {0};
    struct store_sql *reader = store_sqlite_take_reader(store);
    sqlite3_stmt *row = prepare_page(reader, kind, query, problem);
    bool listed = row != NULL && read_page(row, kind, query->limit, &page);
    if (row != NULL && !listed)
        store_sql_problem(reader, problem);
    sqlite3_finalize(row);
    store_sqlite_give_back(store, reader);
    if (listed) {
        *ret = page;
        return true;
    }
    for (int i = 0; i < page.count; i++)
        kind->free((char *)page.items + (size_t)i * kind->item_bytes);
    free(page.items);
    return false;
}

static const char *const states[] = {
    [STORE_QUEUED] = "queued", [STORE_RUNNING] = "running",     [STORE_DONE] = "done",
    [STORE_FAILED] = "failed", [STORE_CANCELLED] = "cancelled",
};

const char *store_state_text(enum store_state state)
{
    return states[state];
}

int store_state_from_text(const char *text)
{
    for (int state = STORE_QUEUED; state <= STORE_CANCELLED; state++)
        if (strcmp(states[state], text) == 0)
            return state;
    return -1;
}

bool store_sqlite_count_deaths(struct store_sql *sql, enum store_sql_statement which,
                               const struct store_sqlite_deaths *deaths,
                               struct server_problem *problem)
{
    sqlite3_stmt *row = store_sql_statement(sql, which, problem);
    return row != NULL && store_sql_bind_text(row, 1, deaths->id) &&
           store_sql_bind_number(row, 2, deaths->attempts) &&
           store_sql_finish(sql, row, problem);
}
