#include "analysis/capture/extent.h"

#include <stdbool.h>

/* Recorders that cannot seek back leave a size near 2^31 or 2^32, or none. */
static bool is_placeholder(int64_t bytes)
{
    return bytes <= 0 || (bytes >= 0x7FFFF000 && bytes <= 0x80000000) ||
           (bytes >= 0xFFFFF000 && bytes <= 0xFFFFFFFF);
}

struct extent extent_settle(const struct chunks *chunks, int64_t offset,
                            int64_t declared_bytes)
{
    int64_t present = chunks->file_bytes - offset;
    struct extent extent = {EXTENT_AS_DECLARED, offset, declared_bytes, declared_bytes};
    bool fits = declared_bytes >= 0 && declared_bytes <= present;
    if (fits && chunks_follow(chunks, offset + declared_bytes))
        return extent;
    if (is_placeholder(declared_bytes)) {
        extent.kind = EXTENT_FROM_FILE;
        extent.bytes = chunks_tail(chunks, offset) - offset;
    } else if (!fits) {
        extent.kind = EXTENT_TRUNCATED;
        extent.bytes = present;
    } else if (chunks_are_narrow(chunks) && (present - declared_bytes) >> 32 > 0) {
        extent.kind = EXTENT_WRAPPED;
        extent.bytes += (present - declared_bytes) >> 32 << 32;
    }
    return extent;
}
