/* GET /v1/measurements and /v1/measurements/NAME: the tables the worker described. */
#include "server/http/described.h"
#include "server/http/reply.h"
#include "server/http/resources.h"

static void answer_list(struct request *request)
{
    described_reply_list(request,
                         catalogue_measurements(request->shared->config.catalogue),
                         "measurements");
}

static void answer_item(struct request *request)
{
    const struct catalogue *catalogue = request->shared->config.catalogue;
    const char *name = request_argument(request, 0);
    described_reply_item(request, catalogue_measurement(catalogue, name),
                         catalogue_measurements(catalogue), "measurements");
}

const struct route measurements_routes[] = {
    {.method = "GET",
     .path = "/v1/measurements",
     .query = "",
     .summary = "Lists what can be measured, with all definitions.",
     .replies = "200 measurements, 304 -",
     .answer = answer_list},
    {.method = "GET",
     .path = "/v1/measurements/{name}",
     .query = "",
     .summary = "One measurement: its settings, figures, findings, lists and curves.",
     .replies = "200 measurement, 304 -",
     .problems = "not_found",
     .answer = answer_item},
    {0},
};
