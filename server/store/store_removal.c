/* Removals: store_capture_remove and store_analysis_remove of store.h. What refuses one
 * is looked for in the same transaction, so nothing can come between. */
#include "server/store/store_sqlite.h"

#include <stdlib.h>
#include <string.h>

struct removal {
    const char *id;
    struct store_removed *removed; /* of a capture */
};

/* The capture's own part; notes its content. */
static bool check_capture(struct store_sql *sql, const struct removal *removal,
                          struct server_problem *problem)
{
    sqlite3_stmt *row;
    int step = store_sql_look(sql, STORE_SQL_CAPTURE_GET, removal->id, &row, problem);
    if (step == SQLITE_DONE)
        server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, NULL,
                           "There is no capture %s.", removal->id);
    if (step == SQLITE_ROW) {
        sqlite3_snprintf(sizeof removal->removed->sha256, removal->removed->sha256, "%s",
                         sqlite3_column_text(row, 7));
        if (sqlite3_column_int(row, 10) != 0)
            server_problem_set(problem, SERVER_PROBLEM_CONFLICT, "pinned",
                               "The capture %s is pinned; PATCH it with "
                               "{\"pinned\":false} before you delete it.",
                               removal->id);
    }
    sqlite3_reset(row);
    return step == SQLITE_ROW && problem->code == SERVER_PROBLEM_NONE;
}

static bool check_floors(struct store_sql *sql, const struct removal *removal,
                         struct server_problem *problem)
{
    sqlite3_stmt *row;
    int step =
        store_sql_look(sql, STORE_SQL_ANALYSIS_OF_FLOOR, removal->id, &row, problem);
    if (step == SQLITE_ROW)
        server_problem_set(problem, SERVER_PROBLEM_CONFLICT, NULL,
                           "The capture %s is the floor of the analysis %s of another "
                           "capture, %s; delete that analysis first.",
                           removal->id, (const char *)sqlite3_column_text(row, 0),
                           (const char *)sqlite3_column_text(row, 1));
    sqlite3_reset(row);
    return step == SQLITE_DONE;
}

static bool refuse_unended(const char *id, struct server_problem *problem)
{
    return server_problem_set(problem, SERVER_PROBLEM_CONFLICT, NULL,
                              "The analysis %s is queued or running; POST to "
                              "/v1/analyses/%s/cancel, or wait for its end.",
                              id, id);
}

static bool note(struct store_removed *removed, const char *id,
                 struct server_problem *problem)
{
    size_t count = (size_t)removed->count;
    if ((count & (count - 1)) == 0) { /* room for the next power of two */
        size_t room = count == 0 ? 1 : 2 * count;
        char(*grown)[ID_BYTES] = realloc(removed->analyses, room * ID_BYTES);
        if (grown == NULL)
            return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                      "There is no memory for the list of analyses.");
        removed->analyses = grown;
    }
    sqlite3_snprintf(ID_BYTES, removed->analyses[count], "%s", id);
    removed->count++;
    return true;
}

/* Refuses while one has not ended; notes them all. */
static bool note_analyses(struct store_sql *sql, const struct removal *removal,
                          struct server_problem *problem)
{
    sqlite3_stmt *row;
    int step =
        store_sql_look(sql, STORE_SQL_ANALYSIS_OF_CAPTURE, removal->id, &row, problem);
    bool noted = true;
    for (; noted && step == SQLITE_ROW; step = sqlite3_step(row)) {
        const char *id = (const char *)sqlite3_column_text(row, 0);
        noted = sqlite3_column_int(row, 1) == STORE_QUEUED
                    ? refuse_unended(id, problem)
                    : note(removal->removed, id, problem);
    }
    if (noted && step != SQLITE_DONE)
        store_sql_problem(sql, problem);
    sqlite3_reset(row);
    return noted && step == SQLITE_DONE;
}

static bool remove_capture(struct store_sql *sql, const void *context,
                           struct server_problem *problem)
{
    const struct removal *removal = context;
    removal->removed->count = 0;
    return check_capture(sql, removal, problem) && note_analyses(sql, removal, problem) &&
           check_floors(sql, removal, problem) &&
           store_sql_apply(sql, STORE_SQL_ANALYSIS_FORGET, removal->id, problem) &&
           store_sql_apply(sql, STORE_SQL_CAPTURE_REMOVE, removal->id, problem);
}

bool store_capture_remove(struct store *store, const char *id, struct store_removed *ret,
                          struct server_problem *problem)
{
    struct store_removed removed = {0};
    const struct removal removal = {id, &removed};
    bool made = store_writer_make(store->writer, remove_capture, &removal, problem);
    if (made)
        *ret = removed;
    else
        store_removed_free(&removed);
    return made;
}

void store_removed_free(struct store_removed *removed)
{
    free(removed->analyses);
    *removed = (struct store_removed){0};
}

static bool remove_analysis(struct store_sql *sql, const void *context,
                            struct server_problem *problem)
{
    const char *id = context;
    sqlite3_stmt *row;
    int step = store_sql_look(sql, STORE_SQL_ANALYSIS_GET, id, &row, problem);
    bool ended = step == SQLITE_ROW && sqlite3_column_int(row, 6) != STORE_QUEUED;
    sqlite3_reset(row);
    if (step == SQLITE_DONE)
        return server_problem_set(problem, SERVER_PROBLEM_NOT_FOUND, NULL,
                                  "There is no analysis %s.", id);
    if (step == SQLITE_ROW && !ended)
        return refuse_unended(id, problem);
    return ended && store_sql_apply(sql, STORE_SQL_ANALYSIS_REMOVE, id, problem);
}

bool store_analysis_remove(struct store *store, const char *id,
                           struct server_problem *problem)
{
    return store_writer_make(store->writer, remove_analysis, id, problem);
}
