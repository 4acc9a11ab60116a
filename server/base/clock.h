/** Times: wall clock in milliseconds since 1970 for records, monotonic for deadlines. */
#ifndef SERVER_BASE_CLOCK_H
#define SERVER_BASE_CLOCK_H

#include <stdint.h>

enum { CLOCK_TEXT_BYTES = 32 };

int64_t clock_wall_ms(void);
int64_t clock_monotonic_ms(void);
/** "2026-11-25T01:02:03.456Z" (RFC 3339, UTC). */
void clock_text(int64_t wall_ms, char text[CLOCK_TEXT_BYTES]);

#endif
