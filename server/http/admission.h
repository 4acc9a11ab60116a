/** What can be known of a request before its body is read: its target, its header, where
 * it goes, and whether that takes it. */
#ifndef SERVER_HTTP_ADMISSION_H
#define SERVER_HTTP_ADMISSION_H

#include <stdbool.h>

#include "server/http/request.h"

/** Fills request->target and ->match and lets the route begin. Where it refuses,
 * request->doubtful tells whether the end of the body can be found. */
bool admission_check(struct request *request, const char *method, const char *version,
                     struct server_problem *problem) __attribute__((warn_unused_result));

#endif
