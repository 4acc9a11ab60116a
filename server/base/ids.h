/** Opaque ids: a prefix and 20 random base32 characters (a–z, 2–7). */
#ifndef SERVER_BASE_IDS_H
#define SERVER_BASE_IDS_H

#include <stdbool.h>

enum { ID_BYTES = 32 }; /* with the terminating zero */

/** Fills id with "cap_…" for prefix "cap". Aborts if the kernel gives no random bytes. */
void id_new(const char *prefix, char id[ID_BYTES]);
/** True when `text` has the shape of an id with that prefix. */
bool id_valid(const char *prefix, const char *text);

#endif
