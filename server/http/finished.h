/**
 * Answers to polls of analyses that have ended, kept in memory as they are sent: such a
 * poll reads no row and builds no JSON. Bounded: an answer takes the place of one whose
 * id falls on the same slot. Thread-safe.
 *
 * Whoever changes or removes an analysis that has ended calls finished_drop once the
 * change is committed and before its own answer goes out.
 */
#ifndef SERVER_HTTP_FINISHED_H
#define SERVER_HTTP_FINISHED_H

#include <stdbool.h>
#include <stdint.h>

#include <microhttpd.h>

#include "server/base/ids.h"

enum { FINISHED_SLOTS = 2048 };

struct finished;

/** An answer that several connections may be sending; nobody may change it. */
struct finished_answer;

/** Gives a cache (finished_free), or NULL without memory. */
struct finished *finished_new(void);
/** Every answer has been released. NULL is accepted. */
void finished_free(struct finished *finished);

/** Gives the answer to a poll of `id` (finished_release), or NULL: not kept. */
struct finished_answer *finished_get(struct finished *finished, const char *id);
struct MHD_Response *finished_response(const struct finished_answer *answer);
/** NULL is accepted. */
void finished_release(struct finished_answer *answer);

/** To be asked before the row is read whose answer is kept: what was dropped meanwhile is
 * then not kept after all. */
uint64_t finished_now(struct finished *finished);
/** Keeps a 200 answer to a poll of `id`, read at `since` (finished_now). Takes a response
 * over and gives it as an answer, whether or not it is kept; NULL without memory: the
 * response is still the caller's. */
struct finished_answer *finished_keep(struct finished *finished, const char *id,
                                      uint64_t since, struct MHD_Response *response);
/** Forgets the answer to polls of `id`. */
void finished_drop(struct finished *finished, const char *id);

#endif
