/* A copy of the database for a backup: store_copy of store.h. */
#include "server/store/store_sqlite.h"

#include <limits.h>
#include <stdio.h>
#include <unistd.h>

/* As it is at one instant: in one step, whatever is committed meanwhile. */
static bool copy_pages(sqlite3 *from, struct store_sql *to,
                       struct server_problem *problem)
{
    sqlite3_backup *copying = sqlite3_backup_init(to->db, "main", from, "main");
    int step = copying != NULL ? sqlite3_backup_step(copying, -1) : SQLITE_ERROR;
    int code = sqlite3_backup_finish(copying); /* leaves the error in the connection */
    return (copying != NULL && step == SQLITE_DONE && code == SQLITE_OK) ||
           store_sql_problem(to, problem);
}

/* One file, without a log beside it. */
static bool settle(struct store_sql *copy, struct server_problem *problem)
{
    sqlite3_stmt *check = NULL;
    if (!store_sql_run(copy, "PRAGMA journal_mode = DELETE", problem))
        return false;
    bool good = sqlite3_prepare_v2(copy->db, "PRAGMA quick_check(1)", -1, &check, NULL) ==
                    SQLITE_OK &&
                sqlite3_step(check) == SQLITE_ROW &&
                sqlite3_stricmp((const char *)sqlite3_column_text(check, 0), "ok") == 0;
    sqlite3_finalize(check);
    return good || server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, NULL,
                                      "The database residuum.db is damaged, so it cannot "
                                      "be backed up; stop residuumd and restore it from "
                                      "an older backup.");
}

static bool each_file(struct store_sql *copy, const char *query,
                      const struct store_copy_visitor *visitor, store_copy_visit *visit,
                      struct server_problem *problem)
{
    sqlite3_stmt *row = NULL;
    int step = SQLITE_ERROR;
    bool visited = true;
    if (sqlite3_prepare_v2(copy->db, query, -1, &row, NULL) == SQLITE_OK)
        while (visited && (step = sqlite3_step(row)) == SQLITE_ROW)
            visited = visit(visitor->context, (const char *)sqlite3_column_text(row, 0),
                            problem);
    bool whole = visited && (step == SQLITE_DONE || store_sql_problem(copy, problem));
    sqlite3_finalize(row);
    return whole;
}

bool store_copy(struct store *store, const char *path,
                const struct store_copy_visitor *visitor, struct server_problem *problem)
{
    struct store_sql from = {0}, copy = {0};
    const char *source = sqlite3_db_filename(store->writing.db, "main");
    /* A connection of its own: the readers are for those who ask. */
    bool copied = store_sql_open(source, true, &from, problem) &&
                  store_sql_open(path, false, &copy, problem) &&
                  store_sql_run(&copy, "PRAGMA synchronous = FULL", problem) &&
                  copy_pages(from.db, &copy, problem) && settle(&copy, problem) &&
                  each_file(&copy, "SELECT DISTINCT sha256 FROM capture", visitor,
                            visitor->content, problem) &&
                  each_file(&copy, "SELECT id FROM analysis WHERE state = 2", visitor,
                            visitor->result, problem);
    store_sql_close(&copy);
    store_sql_close(&from);
    return copied;
}
