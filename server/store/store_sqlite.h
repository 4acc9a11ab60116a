/** The parts of an open store, for the files that implement store.h. Internal to
 * server/store. */
#ifndef SERVER_STORE_STORE_SQLITE_H
#define SERVER_STORE_STORE_SQLITE_H

#include <pthread.h>
#include <stddef.h>

#include "server/store/store.h"
#include "server/store/store_sql.h"
#include "server/store/store_writer.h"

enum { STORE_SQLITE_READERS = 4 };

struct store {
    int folder;               /* the state folder */
    struct store_sql writing; /* the writing thread's */
    struct store_writer *writer;
    pthread_mutex_t lock; /* over `taken` */
    pthread_cond_t given_back;
    struct store_sql readers[STORE_SQLITE_READERS];
    bool taken[STORE_SQLITE_READERS];
};

/** Waits for a free reading connection; give it back before another is taken. */
struct store_sql *store_sqlite_take_reader(struct store *store);
void store_sqlite_give_back(struct store *store, struct store_sql *reader);

/** One kind of row as its readers need it: what store_capture.c and store_analysis.c have
 * in common. */
struct store_sqlite_kind {
    const char *table;
    const char *columns; /* "seq" and "id" first */
    enum store_sql_statement get;
    size_t item_bytes;
    /** Fills the item from a row of `columns`; false when memory ran out. */
    bool (*read)(sqlite3_stmt *row, void *item);
    void (*free)(void *item);
};

/** Fills *item with the row called `id`. False with *problem untouched when there is
 * none, with it set when the database could not tell. */
bool store_sqlite_get(struct store *store, const struct store_sqlite_kind *kind,
                      const char *id, void *item, struct server_problem *problem)
    __attribute__((warn_unused_result));

struct store_sqlite_page {
    void *items;
    int count;
    int64_t next;
};

/** Fills *ret with one page of a query; nothing is in it on failure. */
bool store_sqlite_list(struct store *store, const struct store_sqlite_kind *kind,
                       const struct store_query *query, struct store_sqlite_page *ret,
                       struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Changes (store_writer_change) that add rows: a struct store_upload, a struct
 * store_analysis. */
bool store_sqlite_add_upload(struct store_sql *sql, const void *rows_to_add,
                             struct server_problem *problem);
bool store_sqlite_add_analysis(struct store_sql *sql, const void *row_to_add,
                               struct server_problem *problem);
/** Fills a struct store_capture from a row of STORE_SQL_CAPTURE_COLUMNS; false when
 * memory ran out. */
bool store_sqlite_read_capture(sqlite3_stmt *row, void *item)
    __attribute__((warn_unused_result));
/** store_content_found, on the writing thread. */
bool store_content_note(struct store_sql *sql, const struct store_finding *finding,
                        struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Workers that died over a job so far; what a writer is handed. */
struct store_sqlite_deaths {
    const char *id;
    int attempts;
};
/** Records them by a statement that takes both. */
bool store_sqlite_count_deaths(struct store_sql *sql, enum store_sql_statement which,
                               const struct store_sqlite_deaths *deaths,
                               struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
