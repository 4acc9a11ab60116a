/* Captures: store_capture_* but the removal of store.h. */
#include "server/store/store_sqlite.h"

#include <stdlib.h>

static bool bind_health(sqlite3_stmt *row, const struct store_health *health)
{
    return store_sql_bind_number(row, 14, health->state) &&
           store_sql_bind_number(row, 15, health->attempts) &&
           store_sql_bind_text(row, 16, health->report) &&
           store_sql_bind_text(row, 17, health->suggested) &&
           store_sql_bind_text(row, 18, health->problem);
}

static bool add_capture(struct store_sql *sql, const struct store_capture *capture,
                        struct server_problem *problem)
{
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_CAPTURE_ADD, problem);
    if (row == NULL || !store_sql_bind_text(row, 1, capture->id) ||
        !store_sql_bind_text(row, 2, capture->name) ||
        !store_sql_bind_text(row, 3, capture->note) ||
        !store_sql_bind_text(row, 4, capture->tester) ||
        !store_sql_bind_number(row, 5, capture->received_ms) ||
        !store_sql_bind_number(row, 6, (int64_t)capture->bytes) ||
        !store_sql_bind_text(row, 7, capture->sha256) ||
        !store_sql_bind_text(row, 8, capture->format) ||
        !store_sql_bind_text(row, 9, capture->warnings) ||
        !store_sql_bind_number(row, 10, capture->pinned) ||
        !store_sql_bind_number(row, 11, capture->audio) ||
        !store_sql_bind_number(row, 12, capture->content_mtime_ns) ||
        !store_sql_bind_text(row, 13, capture->signal) ||
        !bind_health(row, &capture->health) ||
        !store_sql_bind_number(row, 19, capture->quarantined))
        return false;
    return store_sql_finish(sql, row, problem) &&
           /* The file that others with this content share is now this one. */
           store_content_note(sql,
                              &(struct store_finding){capture->sha256, capture->audio,
                                                      capture->content_mtime_ns, -1},
                              problem);
}

bool store_sqlite_add_upload(struct store_sql *sql, const void *rows_to_add,
                             struct server_problem *problem)
{
    const struct store_upload *upload = rows_to_add;
    bool added = add_capture(sql, upload->capture, problem);
    for (int i = 0; added && i < upload->count; i++)
        added = store_sqlite_add_analysis(sql, &upload->analyses[i], problem);
    return added;
}

bool store_capture_add(struct store *store, const struct store_upload *upload,
                       struct server_problem *problem)
{
    return store_writer_make(store->writer, store_sqlite_add_upload, upload, problem);
}

struct changing {
    const char *id;
    const struct store_capture_change *change;
};

/* After an UPDATE that met no row: says why. */
static bool refuse_change(struct store_sql *sql, const char *id,
                          struct server_problem *problem)
{
    sqlite3_stmt *row;
    int step = store_sql_look(sql, STORE_SQL_CAPTURE_GET, id, &row, problem);
    if (step == SQLITE_ROW)
        server_problem_set(problem, SERVER_PROBLEM_CONFLICT, "signal",
                           "The capture %s is quarantined, so that nothing looks at its "
                           "signal; give \"quarantined\":false along with it.",
                           id);
    else if (step == SQLITE_DONE)
        server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, NULL,
                           "There is no capture %s.", id);
    sqlite3_reset(row);
    return false;
}

static bool change(struct store_sql *sql, const void *context,
                   struct server_problem *problem)
{
    const struct changing *changing = context;
    const struct store_capture_change *parts = changing->change;
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_CAPTURE_CHANGE, problem);
    if (row == NULL || !store_sql_bind_text(row, 1, changing->id) ||
        !store_sql_bind_text(row, 2, parts->name) ||
        !store_sql_bind_text(row, 3, parts->note) ||
        (parts->pinned < 0 ? sqlite3_bind_null(row, 4)
                           : sqlite3_bind_int(row, 4, parts->pinned)) != SQLITE_OK ||
        !store_sql_bind_number(row, 5, parts->has_signal) ||
        !store_sql_bind_text(row, 6, parts->signal) ||
        !store_sql_bind_number(row, 7, parts->lift) ||
        !store_sql_finish(sql, row, problem))
        return false;
    return sqlite3_changes(sql->db) == 1 || refuse_change(sql, changing->id, problem);
}

bool store_capture_change(struct store *store, const char *id,
                          const struct store_capture_change *parts,
                          struct server_problem *problem)
{
    struct changing changing = {id, parts};
    return store_writer_make(store->writer, change, &changing, problem);
}

bool store_sqlite_read_capture(sqlite3_stmt *row, void *item)
{
    struct store_capture *ret = item;
    bool whole = true;
    struct store_capture capture = {0};
    sqlite3_snprintf(sizeof capture.id, capture.id, "%s", sqlite3_column_text(row, 1));
    capture.name = store_sql_text(row, 2, &whole);
    capture.note = store_sql_text(row, 3, &whole);
    capture.tester = store_sql_text(row, 4, &whole);
    capture.received_ms = sqlite3_column_int64(row, 5);
    capture.bytes = (uint64_t)sqlite3_column_int64(row, 6);
    sqlite3_snprintf(sizeof capture.sha256, capture.sha256, "%s",
                     sqlite3_column_text(row, 7));
    capture.format = store_sql_text(row, 8, &whole);
    capture.warnings = store_sql_text(row, 9, &whole);
    capture.pinned = sqlite3_column_int(row, 10) != 0;
    capture.audio = (enum store_audio)sqlite3_column_int(row, 11);
    capture.content_mtime_ns = sqlite3_column_int64(row, 12);
    capture.signal = store_sql_text(row, 13, &whole);
    capture.health.state = (enum store_state)sqlite3_column_int(row, 14);
    capture.health.attempts = sqlite3_column_int(row, 15);
    capture.health.report = store_sql_text(row, 16, &whole);
    capture.health.suggested = store_sql_text(row, 17, &whole);
    capture.health.problem = store_sql_text(row, 18, &whole);
    capture.quarantined = sqlite3_column_int(row, 19) != 0;
    if (!whole) {
        store_capture_free(&capture);
        return false;
    }
    *ret = capture;
    return true;
}

void store_capture_free(struct store_capture *capture)
{
    free(capture->name);
    free(capture->note);
    free(capture->tester);
    free(capture->format);
    free(capture->warnings);
    free(capture->signal);
    free(capture->health.report);
    free(capture->health.suggested);
    free(capture->health.problem);
    *capture = (struct store_capture){0};
}

static void free_row(void *item)
{
    store_capture_free(item);
}

static const struct store_sqlite_kind captures = {
    .table = "capture",
    .columns = STORE_SQL_CAPTURE_COLUMNS,
    .get = STORE_SQL_CAPTURE_GET,
    .item_bytes = sizeof(struct store_capture),
    .read = store_sqlite_read_capture,
    .free = free_row,
};

bool store_capture_get(struct store *store, const char *id, struct store_capture *ret,
                       struct server_problem *problem)
{
    return store_sqlite_get(store, &captures, id, ret, problem);
}

bool store_capture_list(struct store *store, const struct store_query *query,
                        struct store_capture_page *ret, struct server_problem *problem)
{
    struct store_query asked = *query;
    asked.capture = asked.measurement = NULL;
    asked.ids = NULL;
    asked.state = -1;
    struct store_sqlite_page page;
    if (!store_sqlite_list(store, &captures, &asked, &page, problem))
        return false;
    *ret = (struct store_capture_page){page.items, page.count, page.next};
    return true;
}

void store_capture_page_free(struct store_capture_page *page)
{
    for (int i = 0; i < page->count; i++)
        store_capture_free(&page->items[i]);
    free(page->items);
    *page = (struct store_capture_page){0};
}
