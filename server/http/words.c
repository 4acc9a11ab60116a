#include "server/http/words.h"

#include <assert.h>
#include <stdio.h>
#include <string.h>

bool words_next(const char **at, char separator, char item[WORDS_BYTES])
{
    const char ends[] = {separator, '\0'}, skipped[] = {separator, ' ', '\0'};
    if (*at == NULL)
        return false;
    const char *first = *at + strspn(*at, skipped);
    size_t length = strcspn(first, ends);
    *at = first + length;
    while (length > 0 && first[length - 1] == ' ')
        length--;
    assert(length < WORDS_BYTES);
    memcpy(item, first, length);
    item[length] = '\0';
    return length > 0;
}

void words_append(const char *word, char *list, size_t size)
{
    size_t used = strlen(list);
    if (used + strlen(word) + sizeof " " <= size)
        snprintf(list + used, size - used, "%s%s", used > 0 ? " " : "", word);
}
