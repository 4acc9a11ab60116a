/** Logging: one line to standard error, RFC 3339 time first; only the server logs, once,
 *  where a problem stops travelling. Thread-safe. */
#ifndef SERVER_BASE_LOG_H
#define SERVER_BASE_LOG_H

enum log_level { LOG_LEVEL_INFO, LOG_LEVEL_WARNING, LOG_LEVEL_ERROR, LOG_LEVEL_CRITICAL };

void log_line(enum log_level level, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
