/** Sentences of bounded length. */
#ifndef ANALYSIS_CORE_TEXT_H
#define ANALYSIS_CORE_TEXT_H

#include <stdarg.h>
#include <stddef.h>

/** Formats into `text` (size ≥ 1). What does not fit is cut off between two UTF-8
 * characters, so that the text stays valid wherever it goes. */
void text_format(char *text, size_t size, const char *format, va_list arguments)
    __attribute__((format(printf, 3, 0)));

#endif
