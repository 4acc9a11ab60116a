/** The result of an analysis that is done. */
#ifndef SERVER_HTTP_RESULT_H
#define SERVER_HTTP_RESULT_H

#include <stdbool.h>

#include "server/http/request.h"
#include "server/http/result_file.h"
#include "server/queue/queue.h"

/** Opens the result of the analysis in the request's path. Gives *ret_view
 * (queue_view_free) and *ret_result (result_file_close). NOT_FOUND, NOT_READY, or
 * NO_RESULT telling why. */
bool result_open(struct request *request, struct queue_view *ret_view,
                 struct result_file *ret_result, struct server_problem *problem)
    __attribute__((warn_unused_result));

#endif
