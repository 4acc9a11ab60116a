/**
 * Signals that were rendered, kept in STATE/rendered/KEY.BYTES for the next who asks: the
 * key stands for all that makes the bytes, and the name tells how many there must be.
 * Nothing needs them: what is gone or cut off is rendered anew. Held below
 * LIMIT_RENDERED_MIB and a tenth of the disk, and given up where the disk has no other
 * room; the one whose last use is the longest ago goes first (the file's time is that of
 * its last use).
 */
#ifndef SERVER_STORE_RENDERED_H
#define SERVER_STORE_RENDERED_H

#include <stdbool.h>
#include <stdint.h>

#include "server/base/ids.h"
#include "server/base/problem.h"
#include "server/store/spool.h"

enum { RENDERED_KEY_BYTES = 65, RENDERED_NAME_BYTES = 96 };

/** The key of a text that holds all that makes a signal's bytes: its SHA-256 in
 * lower-case hexadecimal digits. UNAVAILABLE without memory. */
bool rendered_key(const char *facts, char key[RENDERED_KEY_BYTES],
                  struct server_problem *problem) __attribute__((warn_unused_result));

/** A fresh read-only descriptor of the signal with this key, whole by its length, or −1.
 */
int rendered_open(const struct spool *spool, const char *key);

/** A new signal's file, open for writing and reading, with room for so many bytes (1 or
 * more); fills `part`, its name until it is kept. Or −1 with the problem: DISK_FULL when
 * it would take what uploads, too, leave free. */
int rendered_begin(const struct spool *spool, uint64_t bytes, char part[ID_BYTES],
                   struct server_problem *problem);

/** Keeps the file, complete and open as `file`, or removes its name where that fails or
 * the file is larger than all that is kept; the descriptor stays good either way. */
void rendered_keep(const struct spool *spool, const char *part, int file,
                   const char *key);
void rendered_discard(const struct spool *spool, const char *part);

/** Whether a file in STATE/rendered is one to keep: its name is of the shape above and
 * its length is that of its name. */
bool rendered_is_whole(const struct spool *spool, const char *name);

/** Gives up signals until `bytes` are free on the disk, where that helps. */
void rendered_make_room(const struct spool *spool, uint64_t bytes);

#endif
