#include "server/http/filename.h"

#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

#include "server/base/limits.h"
#include "server/http/target.h"

enum { NAME_BYTES = LIMIT_NAME_BYTES + 8 }; /* with the extension */

struct filename_kind filename_kind(const char *container)
{
    static const struct {
        const char *container;
        struct filename_kind kind;
    } known[] = {
        {"wav", {"audio/wav", ".wav"}},
        {"rf64", {"audio/wav", ".wav"}},
        {"bw64", {"audio/wav", ".wav"}},
        {"flac", {"audio/flac", ".flac"}},
        {"aiff", {"audio/aiff", ".aiff"}},
        {"w64", {"application/octet-stream", ".w64"}},
        {"caf", {"application/octet-stream", ".caf"}},
    };
    for (size_t i = 0; container != NULL && i < sizeof known / sizeof known[0]; i++)
        if (strcmp(known[i].container, container) == 0)
            return known[i].kind;
    return (struct filename_kind){"application/octet-stream", ".bin"};
}

static void make_safe(const char *name, const char *otherwise, const char *extension,
                      char ret[NAME_BYTES])
{
    size_t used = 0;
    for (; *name != '\0' && used < LIMIT_NAME_BYTES; name++) {
        unsigned char byte = (unsigned char)*name;
        bool plain = byte >= 0x20 && byte != 0x7f && strchr("\"*/:<>?\\|", byte) == NULL;
        ret[used++] = plain ? *name : '_';
    }
    while (used > 0 && strchr(" .", ret[used - 1]) != NULL)
        used--;
    ret[used] = '\0';
    size_t leading = strspn(ret, " .");
    memset(ret, '_', leading);
    if (strspn(ret, "_") == used)
        used = (size_t)snprintf(ret, NAME_BYTES, "%.40s", otherwise);
    size_t bytes = strlen(extension);
    if (used < bytes || strcasecmp(ret + used - bytes, extension) != 0)
        memcpy(ret + used, extension, bytes + 1);
}

void filename_disposition(const char *name, const char *otherwise, const char *extension,
                          char ret[FILENAME_DISPOSITION_BYTES])
{
    char safe[NAME_BYTES], ascii[NAME_BYTES];
    bool beyond = false;
    make_safe(name, otherwise, extension, safe);
    for (size_t i = 0; i < sizeof safe; i++) {
        bool other = (unsigned char)safe[i] >= 0x80;
        beyond |= other;
        ascii[i] = other ? '_' : safe[i];
        if (safe[i] == '\0')
            break;
    }
    snprintf(ret, FILENAME_DISPOSITION_BYTES, "attachment; filename=\"%s\"%s", ascii,
             beyond ? "; filename*=UTF-8''" : "");
    if (beyond)
        target_append_encoded(ret, FILENAME_DISPOSITION_BYTES, safe);
}
