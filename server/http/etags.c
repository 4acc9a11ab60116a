#include "server/http/etags.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

void etags_of_bytes(const char *prefix, const void *bytes, size_t count,
                    char ret[ETAGS_BYTES])
{
    /* FNV-1a (Fowler, Noll, Vo); constants of draft-eastlake-fnv. */
    uint64_t hash = 0xcbf29ce484222325u;
    for (size_t i = 0; i < count; i++)
        hash = (hash ^ ((const unsigned char *)bytes)[i]) * 0x100000001b3u;
    snprintf(ret, ETAGS_BYTES, "\"%.70s-%016" PRIx64 "\"", prefix, hash);
}

/* The length of the quoted tag at `text`, or 0 where there is none. */
static size_t tag_length(const char *text)
{
    if (*text != '"')
        return 0;
    for (size_t i = 1; text[i] != '\0'; i++) {
        unsigned char byte = (unsigned char)text[i];
        if (byte == '"')
            return i + 1;
        if (byte < 0x21 || byte == 0x7f)
            return 0;
    }
    return 0;
}

enum etags_match etags_find(const char *list, const char *etag)
{
    const char *text = list + strspn(list, " \t,");
    if (*text == '*' && text[1 + strspn(text + 1, " \t")] == '\0')
        return ETAGS_ANY;
    while (*text != '\0') {
        if (strncmp(text, "W/", 2) == 0)
            text += 2;
        size_t length = tag_length(text);
        if (length == 0)
            return ETAGS_NONE;
        if (length == strlen(etag) && memcmp(text, etag, length) == 0)
            return ETAGS_NAMED;
        text += length;
        size_t gap = strspn(text, " \t,");
        if (text[gap] != '\0' && memchr(text, ',', gap) == NULL)
            return ETAGS_NONE;
        text += gap;
    }
    return ETAGS_NONE;
}

bool etags_range_holds(const char *if_range, const char *etag)
{
    return if_range == NULL || strcmp(if_range, etag) == 0;
}
