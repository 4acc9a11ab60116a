/* What is known of the files that rows name: store_has_content, store_mark_audio,
 * store_content_found and store_each_result of store.h. */
#include "server/store/store_sqlite.h"

#include "server/base/log.h"

const char *store_audio_text(enum store_audio audio)
{
    static const char *const texts[] = {
        [STORE_AUDIO_PRESENT] = "present",
        [STORE_AUDIO_MISSING] = "missing",
        [STORE_AUDIO_CHANGED] = "changed",
    };
    return texts[audio];
}

bool store_has_content(struct store *store, const char *sha256)
{
    /* A change that failed to sync may be back at the next start. */
    if (store_writer_has_failed(store->writer))
        return true;
    struct server_problem problem = {0};
    struct store_sql *reader = store_sqlite_take_reader(store);
    /* The answer "no" lets a file be deleted: it is given only when it is sure. */
    bool has = true;
    sqlite3_stmt *row = store_sql_statement(reader, STORE_SQL_CAPTURE_CONTENT, &problem);
    if (row != NULL) {
        int step = store_sql_bind_text(row, 1, sha256) ? sqlite3_step(row) : SQLITE_NOMEM;
        has = step != SQLITE_DONE;
        if (step != SQLITE_DONE && step != SQLITE_ROW)
            store_sql_problem(reader, &problem);
        sqlite3_reset(row);
    }
    store_sqlite_give_back(store, reader);
    if (problem.code != SERVER_PROBLEM_NONE)
        log_line(LOG_LEVEL_ERROR, "content %s: %s", sha256, problem.detail);
    return has;
}

bool store_content_note(struct store_sql *sql, const struct store_finding *finding,
                        struct server_problem *problem)
{
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_CONTENT_FOUND, problem);
    return row != NULL && store_sql_bind_text(row, 1, finding->sha256) &&
           store_sql_bind_number(row, 2, finding->audio) &&
           store_sql_bind_number(row, 3, finding->mtime_ns) &&
           store_sql_bind_number(row, 4, finding->known_mtime_ns) &&
           store_sql_finish(sql, row, problem);
}

static bool note_finding(struct store_sql *sql, const void *context,
                         struct server_problem *problem)
{
    return store_content_note(sql, context, problem);
}

bool store_content_found(struct store *store, const struct store_finding *finding,
                         struct server_problem *problem)
{
    return store_writer_make(store->writer, note_finding, finding, problem);
}

struct marking {
    store_look *look;
    void *context;
};

static bool set_audio(struct store_sql *sql, int64_t seq, enum store_audio audio,
                      struct server_problem *problem)
{
    sqlite3_stmt *mark = store_sql_statement(sql, STORE_SQL_CAPTURE_AUDIO, problem);
    return mark != NULL && store_sql_bind_number(mark, 1, seq) &&
           store_sql_bind_number(mark, 2, audio) && store_sql_finish(sql, mark, problem);
}

static bool mark_all(struct store_sql *sql, const void *context,
                     struct server_problem *problem)
{
    const struct marking *marking = context;
    sqlite3_stmt *row = store_sql_statement(sql, STORE_SQL_CAPTURE_FILES, problem);
    if (row == NULL)
        return false;
    int step = SQLITE_DONE;
    bool marked = true;
    while (marked && (step = sqlite3_step(row)) == SQLITE_ROW) {
        const struct store_content content = {
            .capture = (const char *)sqlite3_column_text(row, 1),
            .name = (const char *)sqlite3_column_text(row, 2),
            .sha256 = (const char *)sqlite3_column_text(row, 3),
            .bytes = (uint64_t)sqlite3_column_int64(row, 4),
            .audio = (enum store_audio)sqlite3_column_int(row, 5),
            .mtime_ns = sqlite3_column_int64(row, 6),
        };
        if (content.capture == NULL || content.name == NULL || content.sha256 == NULL)
            break; /* no memory for a text */
        enum store_audio audio = marking->look(&content, marking->context);
        if (audio != content.audio)
            marked = set_audio(sql, sqlite3_column_int64(row, 0), audio, problem);
    }
    if (marked && step != SQLITE_DONE)
        marked = store_sql_problem(sql, problem);
    sqlite3_reset(row);
    return marked;
}

bool store_mark_audio(struct store *store, store_look *look, void *context,
                      struct server_problem *problem)
{
    struct marking marking = {look, context};
    return store_writer_make(store->writer, mark_all, &marking, problem);
}

bool store_each_result(struct store *store,
                       void (*each)(const char *analysis_id, void *context),
                       void *context, struct server_problem *problem)
{
    struct store_sql *reader = store_sqlite_take_reader(store);
    sqlite3_stmt *row = store_sql_statement(reader, STORE_SQL_ANALYSIS_RESULTS, problem);
    int step = SQLITE_ERROR;
    while (row != NULL && (step = sqlite3_step(row)) == SQLITE_ROW)
        each((const char *)sqlite3_column_text(row, 0), context);
    if (row != NULL && step != SQLITE_DONE)
        store_sql_problem(reader, problem);
    sqlite3_reset(row);
    store_sqlite_give_back(store, reader);
    return step == SQLITE_DONE;
}
