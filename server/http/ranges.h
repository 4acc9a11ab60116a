/** Byte ranges of a request (RFC 9110, section 14): which part of a representation a
 * Range header asks for. Pure. */
#ifndef SERVER_HTTP_RANGES_H
#define SERVER_HTTP_RANGES_H

#include <stdint.h>

enum ranges_kind {
    RANGES_WHOLE, /* no range, or one that may be ignored: malformed, of another unit, or
                     several at once */
    RANGES_PART,
    RANGES_UNSATISFIABLE, /* it begins beyond the end, or asks for the last 0 bytes */
};

struct range {
    uint64_t first, count;
};

/** Reads `header` (NULL: none) for `size` bytes, 1 or more; fills *ret for RANGES_PART.
 */
enum ranges_kind ranges_read(const char *header, uint64_t size, struct range *ret);

#endif
