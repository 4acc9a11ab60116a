/* GET /v1/analyses/ID/result/series/NAME: one curve as JSON or CSV, cut and
 * thinned. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "server/base/limits.h"
#include "server/http/accept.h"
#include "server/http/etags.h"
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

/* In the order of enum series_text_format. */
static const char *const types[] = {"application/json", "text/csv"};

static enum series_text_format choose_format(const struct request *request)
{
    static const struct accept_offers offers = {types, sizeof types / sizeof types[0]};
    const struct headers_lines *accept = &request->headers.accept;
    return (enum series_text_format)accept_choose(accept->lines, accept->count, &offers);
}

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

/* Cuts and thins. */
static bool prepare(struct curve *curve, const struct wishes *wishes,
                    struct server_problem *problem)
{
    uint64_t first, count;
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

/* Opens the curve of the index that the request asks for. */
static bool open_curve(struct request *request, struct curve *curve,
                       const struct wishes *wishes, struct server_problem *problem)
{
    struct queue_view view;
    const json_t *entry;
    json_t *index = NULL;
    if (!result_open(request, &view, &curve->result, problem))
        return false;
    queue_view_free(&view);
    const struct series_entry_choice choice = {request_argument(request, 1),
                                               wishes->channel};
    bool opened = result_file_index(&curve->result, &index, problem) &&
                  series_find(index, &choice, &entry, problem) &&
                  series_open(&curve->result, entry, &curve->series, problem) &&
                  (series_text_begin(entry, choose_format(request), &curve->text) ||
                   no_memory(problem));
    json_decref(index);
    return opened;
}

/* A result never changes, so that its id, what is asked of it, the format and this
 * version tell what the text is. */
static void make_etag(const struct request *request, const struct wishes *wishes,
                      enum series_text_format format, char etag[ETAGS_BYTES])
{
    char facts[400];
    int used = snprintf(facts, sizeof facts, "%s\n%s\n%.100s\n%lld %lld\n%.17g %.17g",
                        RESIDUUM_VERSION, types[format], request_argument(request, 1),
                        (long long)wishes->channel, (long long)wishes->points,
                        wishes->from, wishes->to);
    etags_of_bytes(request_argument(request, 0), facts, (size_t)used, etag);
}

static void reply_curve(struct request *request, struct curve *curve, const char *etag)
{
    const char *type = curve->text.format == SERIES_TEXT_CSV
                           ? "text/csv; charset=utf-8; header=present"
                           : types[SERIES_TEXT_JSON];
    struct MHD_Response *response = MHD_create_response_from_callback(
        MHD_SIZE_UNKNOWN, PIECE_BYTES, read_curve, curve, free_curve);
    if (response == NULL)
        free_curve(curve);
    reply_tagged(request, MHD_HTTP_OK, type, etag, response);
}

static void answer(struct request *request)
{
    char etag[ETAGS_BYTES];
    struct server_problem problem = {0};
    struct wishes wishes = {0};
    struct curve *curve = calloc(1, sizeof *curve);
    if (curve == NULL) {
        no_memory(&problem);
        reply_problem(request, &problem);
        return;
    }
    curve->result.file = -1;
    if (read_wishes(request, &wishes, &problem) &&
        open_curve(request, curve, &wishes, &problem)) {
        make_etag(request, &wishes, curve->text.format, etag);
        bool known = reply_not_modified(request, etag, -1);
        if (!known && prepare(curve, &wishes, &problem)) {
            reply_curve(request, curve, etag);
            curve = NULL;
        }
    }
    if (problem.code != SERVER_PROBLEM_NONE)
        reply_problem(request, &problem);
    else
        reply_header(request, "Vary", "Accept");
    free_curve(curve);
}

const struct route curve_routes[] = {
    {.method = "GET",
     .path = "/v1/analyses/{id}/result/series/{name}",
     .query = "channel points from to",
     .summary =
         "One curve of a result, cut to from \u2026 to and thinned to points; CSV where "
         "Accept prefers text/csv, else JSON.",
     .replies = "200 series, 200 text/csv, 304 -",
     .problems = "not_found not_ready no_result out_of_range",
     .answer = answer},
    {0},
};
