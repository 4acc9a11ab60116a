/** Replies with a file: whole, or the range that is asked for (RFC 9110, section 14), or
 * 304 where the client has it already. */
#ifndef SERVER_HTTP_DOWNLOAD_H
#define SERVER_HTTP_DOWNLOAD_H

#include <stdint.h>

#include "server/http/request.h"

struct download {
    int file; /* taken over */
    uint64_t bytes;
    const char *type, *etag;
    const char *disposition; /* Content-Disposition */
    const char *sha256;      /* 64 hexadecimal digits, or NULL: not known */
};

void download_reply(struct request *request, const struct download *download);

#endif
