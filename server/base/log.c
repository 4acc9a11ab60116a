#include "server/base/log.h"

#include <stdarg.h>
#include <stdio.h>
#include <unistd.h>

#include "server/base/clock.h"

enum { LINE_BYTES = 1024 };

static const char *const words[] = {
    [LOG_LEVEL_INFO] = "info",
    [LOG_LEVEL_WARNING] = "warning",
    [LOG_LEVEL_ERROR] = "error",
    [LOG_LEVEL_CRITICAL] = "critical",
};

void log_line(enum log_level level, const char *format, ...)
{
    char now[CLOCK_TEXT_BYTES];
    clock_text(clock_wall_ms(), now);
    char line[LINE_BYTES];
    int start = snprintf(line, sizeof line, "%s %s: ", now, words[level]);
    va_list arguments;
    va_start(arguments, format);
    int wanted = vsnprintf(line + start, sizeof line - (size_t)start, format, arguments);
    va_end(arguments);
    int length = start + (wanted > 0 ? wanted : 0);
    if (length > LINE_BYTES - 1)
        length = LINE_BYTES - 1;
    /* What a client sent may be quoted here: it must not start a line of its own or steer
     * the terminal. */
    for (int i = start; i < length; i++)
        if ((unsigned char)line[i] < ' ' || line[i] == 0x7f)
            line[i] = '?';
    line[length] = '\n'; /* in place of the terminating zero */
    /* One call, so that lines of several threads do not mix; there is nobody to tell if
     * standard error is gone. */
    ssize_t written = write(STDERR_FILENO, line, (size_t)length + 1);
    (void)written;
}
