/* GET /v1/openapi.json: the interface described by itself. */
#include <string.h>

#include "server/http/openapi.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

static void answer(struct request *request)
{
    const struct openapi *openapi = request->shared->openapi;
    const char *text = openapi_text(openapi);
    /* Persistent: it outlives every response. */
    reply_tagged(request, MHD_HTTP_OK, "application/json", openapi_etag(openapi),
                 MHD_create_response_from_buffer(strlen(text), (void *)text,
                                                 MHD_RESPMEM_PERSISTENT));
}

const struct route interface_routes[] = {
    {.method = "GET",
     .path = "/v1/openapi.json",
     .query = "",
     .summary = "This interface as an OpenAPI 3.1 document.",
     .replies = "200 openapi, 304 -",
     .answer = answer},
    {0},
};
