/** The tables of the database, and what is checked before it is used. Internal to
 * server/store. */
#ifndef SERVER_STORE_STORE_SCHEMA_H
#define SERVER_STORE_STORE_SCHEMA_H

#include "server/store/store_sql.h"

/** Before the database is opened: SQLite drops the log (-wal) beside a missing or empty
 * file, and what was committed to it with it. Refuses such a file beside recordings. */
bool store_schema_before(const char *path, const char *state_folder,
                         struct server_problem *problem)
    __attribute__((warn_unused_result));

/** Readies the writing connection: refuses a damaged file, one of a newer version and one
 * of another program; makes the tables in an empty one, unless the state folder holds
 * recordings already; brings an older one up to date. */
bool store_schema_ready(struct store_sql *writer, const char *state_folder,
                        struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
