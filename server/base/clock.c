#include "server/base/clock.h"

#include <assert.h>
#include <stdio.h>
#include <time.h>

static int64_t milliseconds(clockid_t clock)
{
    struct timespec now = {0};
    int failed = clock_gettime(clock, &now);
    assert(failed == 0); /* both clocks exist on every Linux */
    (void)failed;
    return (int64_t)now.tv_sec * 1000 + now.tv_nsec / 1000000;
}

int64_t clock_wall_ms(void)
{
    return milliseconds(CLOCK_REALTIME);
}

int64_t clock_monotonic_ms(void)
{
    return milliseconds(CLOCK_MONOTONIC);
}

void clock_text(int64_t wall_ms, char text[CLOCK_TEXT_BYTES])
{
    int64_t fraction_ms = (wall_ms % 1000 + 1000) % 1000; /* also right before 1970 */
    time_t seconds = (time_t)((wall_ms - fraction_ms) / 1000);
    struct tm utc = {0};
    gmtime_r(&seconds, &utc);
    char day_and_time[CLOCK_TEXT_BYTES - 8];
    strftime(day_and_time, sizeof day_and_time, "%Y-%m-%dT%H:%M:%S", &utc);
    snprintf(text, CLOCK_TEXT_BYTES, "%s.%03dZ", day_and_time, (int)fraction_ms);
}
