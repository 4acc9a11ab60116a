#include "analysis/core/text.h"

#include <assert.h>
#include <stdio.h>

void text_format(char *text, size_t size, const char *format, va_list arguments)
{
    assert(size > 0);
    int wanted = vsnprintf(text, size, format, arguments);
    if (wanted < 0) {
        text[0] = 0;
        return;
    }
    if ((size_t)wanted < size)
        return;
    /* The last character may have lost its tail: step back over the continuation bytes
     * (10xxxxxx) to its first byte and keep it only if it is whole. */
    size_t start = size - 1;
    while (start > 0 && ((unsigned char)text[start - 1] & 0xC0) == 0x80)
        start--;
    if (start == 0)
        return;
    unsigned char lead = (unsigned char)text[start - 1];
    size_t length = lead >= 0xF0 ? 4 : lead >= 0xE0 ? 3 : lead >= 0xC0 ? 2 : 1;
    if (start - 1 + length > size - 1)
        text[start - 1] = 0;
}
