/**
 * The ballast: a file STATE/ballast that only takes up space. When the disk is full it is
 * given up, so that the daemon can start, rows can be committed and recordings removed;
 * it is made again once there is room. Thread-safe.
 */
#ifndef SERVER_STORE_BALLAST_H
#define SERVER_STORE_BALLAST_H

#include <stdbool.h>

enum {
    BALLAST_BYTES = 16 << 20,
    /* Given up where less is free: then the next commit may fail. */
    BALLAST_NEEDED_BYTES = 4 << 20,
    /* Made where more is free: itself, what uploads leave free, and some for them. */
    BALLAST_ROOM_BYTES = 48 << 20,
};

/** Gives it up or makes it, by what is free on the file system of the state folder, open
 * as `folder`. Called at start and every few seconds. Logs what it does. */
void ballast_tend(int folder);

/** Gives it up because a write met a full disk. True when there was one: the write is
 * worth trying again. */
bool ballast_give_up(int folder);

#endif
