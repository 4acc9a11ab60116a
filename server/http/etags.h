/** Entity tags (RFC 9110, sections 8.8.3 and 13.1): made, and compared with what a
 * request names. Pure. */
#ifndef SERVER_HTTP_ETAGS_H
#define SERVER_HTTP_ETAGS_H

#include <stdbool.h>
#include <stddef.h>

enum { ETAGS_BYTES = 96 };

/** A strong tag, "PREFIX-NUMBER": the number is a 64-bit FNV-1a of the bytes. Tells apart
 * what one address answered at different times; it is no proof of origin. */
void etags_of_bytes(const char *prefix, const void *bytes, size_t count,
                    char ret[ETAGS_BYTES]);

/** What a list of tags (one line of If-None-Match) says of `etag`. */
enum etags_match {
    ETAGS_NONE,
    ETAGS_NAMED, /* it is in the list, by the weak comparison */
    ETAGS_ANY,   /* the list is "*" */
};
enum etags_match etags_find(const char *list, const char *etag);

/** True where an If-Range header (NULL: none) leaves a Range in force: it is this very
 * tag, by the strong comparison. A date never is: nothing here has a time of change. */
bool etags_range_holds(const char *if_range, const char *etag);

#endif
