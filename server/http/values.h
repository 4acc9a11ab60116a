/** Values that arrive as text in headers and query parameters. Pure; strict: the whole
 * text must be the value. */
#ifndef SERVER_HTTP_VALUES_H
#define SERVER_HTTP_VALUES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "server/base/problem.h"

enum { VALUES_SHA256_BYTES = 32, VALUES_CURSOR_TEXT_BYTES = 24 };

/** A whole number of at most 18 decimal digits, minimum ≤ *ret ≤ maximum; else
 * OUT_OF_RANGE naming `field` and the limits. */
bool values_integer(const char *field, const char *text, int64_t minimum, int64_t maximum,
                    int64_t *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** A finite decimal number ("-1.5", "2e4"); else OUT_OF_RANGE naming `field`. */
bool values_number(const char *field, const char *text, double *ret,
                   struct server_problem *problem) __attribute__((warn_unused_result));

/** Seconds of `wait=N` in a Prefer header (RFC 7240), or −1. What is malformed is
 * ignored, as the standard asks. */
int values_prefer_wait_s(const char *header);

/** The sha-256 member of a Content-Digest header (RFC 9530: `sha-256=:BASE64:`). *found
 * tells whether there was one; other algorithms are left alone. A sha-256 that is not 32
 * bytes of base64 is a DIGEST_MISMATCH. */
bool values_content_digest(const char *header, uint8_t digest[VALUES_SHA256_BYTES],
                           bool *found, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** The other way: "sha-256=:BASE64:" of 64 hexadecimal digits. */
enum { VALUES_DIGEST_TEXT_BYTES = 64 };
void values_digest_text(const char *sha256, char text[VALUES_DIGEST_TEXT_BYTES]);

/** Cursors of lists: opaque text for a positive number, and back. */
void values_cursor_text(int64_t cursor, char text[VALUES_CURSOR_TEXT_BYTES]);
bool values_cursor(const char *text, int64_t *ret, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** A key of 1 to LIMIT_KEY_BYTES visible ASCII characters; else OUT_OF_RANGE. */
bool values_key(const char *field, const char *text, struct server_problem *problem)
    __attribute__((warn_unused_result));

/** A text a tester gave: at most `limit_bytes`, no control characters (but line breaks
 * and tabs where `lines`); else OUT_OF_RANGE naming `field`. */
bool values_text(const char *field, const char *text, size_t limit_bytes, bool lines,
                 struct server_problem *problem) __attribute__((warn_unused_result));

#endif
