/** The parts of an open store, for the files that implement store.h. Internal to
 * server/store. */
#ifndef SERVER_STORE_STORE_SQLITE_H
#define SERVER_STORE_STORE_SQLITE_H

#include <pthread.h>

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

/** Prepares `SELECT columns FROM table` for one page of a query: bound, newest first, one
 * row more than the limit (it tells whether there is a next page). NULL with the problem;
 *  sqlite3_finalize it. */
sqlite3_stmt *store_sqlite_page(struct store_sql *reader, const char *columns,
                                const char *table, const struct store_query *query,
                                struct server_problem *problem);

#endif
