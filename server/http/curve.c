/* GET /v1/analyses/ID/result/series/NAME: one curve as JSON, cut and thinned. */
#include <math.h>
#include <stdlib.h>

#include "server/base/limits.h"
#include "server/http/reply.h"
#include "server/http/resources.h"
#include "server/http/result.h"
#include "server/http/series_text.h"

enum { PIECE_BYTES = 32 * 1024, CHANNELS_MAX = 16 };

struct curve {
    struct result_file result;
    struct series series;
    struct series_text text;
    uint64_t *picks;
};

struct wishes {
    int64_t channel; /* 0: the first */
    int64_t points;  /* 0: all */
    double from, to;
};

static bool read_wishes(const struct request *request, struct wishes *ret,
                        struct server_problem *problem)
{
    struct wishes wishes = {.from = -INFINITY, .to = INFINITY};
    const char *channel = request_parameter(request, "channel");
    const char *points = request_parameter(request, "points");
    const char *from = request_parameter(request, "from");
    const char *to = request_parameter(request, "to");
    if ((channel != NULL && !values_integer("channel", channel, 1, CHANNELS_MAX,
                                            &wishes.channel, problem)) ||
        (points != NULL &&
         !values_integer("points", points, LIMIT_SERIES_POINTS_MIN,
                         LIMIT_SERIES_POINTS_MAX, &wishes.points, problem)) ||
        (from != NULL && !values_number("from", from, &wishes.from, problem)) ||
        (to != NULL && !values_number("to", to, &wishes.to, problem)))
        return false;
    if (wishes.from > wishes.to)
        return server_problem_set(problem, SERVER_PROBLEM_OUT_OF_RANGE, "from",
                                  "from is %g and to is %g; from must not be above to.",
                                  wishes.from, wishes.to);
    *ret = wishes;
    return true;
}

static void free_curve(void *context)
{
    struct curve *curve = context;
    if (curve == NULL)
        return;
    series_text_free(&curve->text);
    series_close(&curve->series);
    result_file_close(&curve->result);
    free(curve->picks);
    free(curve);
}

static ssize_t read_curve(void *context, uint64_t position, char *bytes, size_t size)
{
    struct curve *curve = context;
    (void)position;
    size_t count = series_text_next(&curve->text, bytes, size);
    if (curve->series.broken)
        return MHD_CONTENT_READER_END_WITH_ERROR;
    return count > 0 ? (ssize_t)count : MHD_CONTENT_READER_END_OF_STREAM;
}

static bool no_memory(struct server_problem *problem)
{
    return server_problem_set(problem, SERVER_PROBLEM_UNAVAILABLE, "",
                              "There is no memory left for the answer; try again later.");
}

/* Cuts, thins and gets the text ready. */
static bool prepare(struct curve *curve, const json_t *entry, const struct wishes *wishes,
                    struct server_problem *problem)
{
    uint64_t first, count;
    if (!series_open(&curve->result, entry, &curve->series, problem))
        return false;
    if (!series_text_begin(entry, &curve->text))
        return no_memory(problem);
    series_cut(&curve->series, wishes->from, wishes->to, &first, &count);
    if (wishes->points > 0 && count > (uint64_t)wishes->points) {
        uint64_t kept = (uint64_t)wishes->points / 2 * 2;
        curve->picks = malloc(kept * sizeof *curve->picks);
        if (curve->picks == NULL)
            return no_memory(problem);
        series_thin(&curve->series, first, count, kept, curve->picks);
        count = kept;
    }
    curve->text.series = &curve->series;
    curve->text.first = first;
    curve->text.count = count;
    curve->text.picks = curve->picks;
    return true;
}

/* Gives the curve that the request asks for. */
static bool make_curve(struct request *request, struct curve **ret,
                       struct server_problem *problem)
{
    struct wishes wishes = {0};
    struct queue_view view;
    const json_t *entry;
    json_t *index = NULL;
    if (!read_wishes(request, &wishes, problem))
        return false;
    struct curve *curve = calloc(1, sizeof *curve);
    if (curve == NULL)
        return no_memory(problem);
    curve->result.file = -1;
    bool made = false;
    if (!result_open(request, &view, &curve->result, problem))
        goto out;
    queue_view_free(&view);
    const struct series_entry_choice choice = {request_argument(request, 1),
                                               wishes.channel};
    made = result_file_index(&curve->result, &index, problem) &&
           series_find(index, &choice, &entry, problem) &&
           prepare(curve, entry, &wishes, problem);
out:
    json_decref(index);
    if (made)
        *ret = curve;
    else
        free_curve(curve);
    return made;
}

static void answer(struct request *request)
{
    struct server_problem problem = {0};
    struct curve *curve = NULL;
    if (!make_curve(request, &curve, &problem)) {
        reply_problem(request, &problem);
        return;
    }
    struct MHD_Response *response = MHD_create_response_from_callback(
        MHD_SIZE_UNKNOWN, PIECE_BYTES, read_curve, curve, free_curve);
    if (response == NULL)
        free_curve(curve);
    reply_response(request, MHD_HTTP_OK, "application/json", response);
}

const struct route curve_routes[] = {
    {.method = "GET",
     .path = "/v1/analyses/{id}/result/series/{name}",
     .query = "channel points from to",
     .answer = answer},
    {0},
};
