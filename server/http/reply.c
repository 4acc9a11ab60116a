#include "server/http/reply.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>

#include "server/base/log.h"
#include "server/http/etags.h"

enum { RETRY_SOON_S = 1, RETRY_LATER_S = 10 };

void reply_header(struct request *request, const char *name, const char *value)
{
    if (request->response != NULL)
        MHD_add_response_header(request->response, name, value);
}

/* etag: NULL where the representation is of this moment only. */
static void set_response(struct request *request, unsigned status,
                         const char *content_type, const char *etag,
                         struct MHD_Response *response)
{
    if (request->response != NULL)
        MHD_destroy_response(request->response);
    request->response = response;
    request->status = status;
    if (content_type != NULL)
        reply_header(request, "Content-Type", content_type);
    reply_header(request, "X-Content-Type-Options", "nosniff");
    reply_header(request, "Cache-Control", etag == NULL ? "no-store" : "no-cache");
    if (etag != NULL)
        reply_header(request, "ETag", etag);
}

static void reply_no_memory(struct request *request)
{
    struct server_problem problem = {0};
    server_problem_set(&problem, SERVER_PROBLEM_UNAVAILABLE, "",
                       "There is no memory left for the answer; try again later.");
    reply_problem(request, &problem);
}

void reply_response(struct request *request, unsigned status, const char *content_type,
                    struct MHD_Response *response)
{
    if (response != NULL)
        set_response(request, status, content_type, NULL, response);
    else
        reply_no_memory(request);
}

static bool is_named(const struct request *request, const char *etag)
{
    const struct headers_lines *named = &request->headers.if_none_match;
    for (int i = 0; i < named->count; i++)
        if (etags_find(named->lines[i], etag) != ETAGS_NONE)
            return true;
    return false;
}

/* The library asks for no body where the status has none. */
static ssize_t read_nothing(void *context, uint64_t position, char *bytes, size_t size)
{
    (void)context;
    (void)position;
    (void)bytes;
    (void)size;
    return MHD_CONTENT_READER_END_WITH_ERROR;
}

bool reply_not_modified(struct request *request, const char *etag, int64_t bytes)
{
    if (!is_named(request, etag))
        return false;
    struct MHD_Response *response = MHD_create_response_from_callback(
        bytes >= 0 ? (uint64_t)bytes : MHD_SIZE_UNKNOWN, 1, read_nothing, NULL, NULL);
    if (response == NULL) {
        reply_no_memory(request);
        return true;
    }
    if (bytes < 0)
        MHD_set_response_options(response, MHD_RF_HTTP_1_0_COMPATIBLE_STRICT, MHD_RO_END);
    set_response(request, MHD_HTTP_NOT_MODIFIED, NULL, etag, response);
    return true;
}

void reply_tagged(struct request *request, unsigned status, const char *content_type,
                  const char *etag, struct MHD_Response *response)
{
    if (response == NULL)
        reply_no_memory(request);
    else if (is_named(request, etag))
        set_response(request, MHD_HTTP_NOT_MODIFIED, NULL, etag, response);
    else
        set_response(request, status, content_type, etag, response);
}

/* Gives the text, or NULL. Takes `body` over. */
static char *dumped(json_t *body)
{
    char *text =
        body == NULL ? NULL : json_dumps(body, JSON_COMPACT | JSON_REAL_PRECISION(12));
    json_decref(body);
    return text;
}

/* Gives the response, or NULL. Takes `text` over. */
static struct MHD_Response *of_text(char *text)
{
    if (text == NULL)
        return NULL;
    struct MHD_Response *response =
        MHD_create_response_from_buffer(strlen(text), text, MHD_RESPMEM_MUST_FREE);
    if (response == NULL)
        free(text);
    return response;
}

static const char type_json[] = "application/json";

void reply_json(struct request *request, unsigned status, json_t *body)
{
    reply_response(request, status, type_json, of_text(dumped(body)));
}

void reply_json_tagged(struct request *request, const char *prefix, json_t *body)
{
    char etag[ETAGS_BYTES];
    char *text = dumped(body);
    if (text != NULL)
        etags_of_bytes(prefix, text, strlen(text), etag);
    reply_tagged(request, MHD_HTTP_OK, type_json, etag, of_text(text));
}

void reply_nothing(struct request *request)
{
    reply_response(request, MHD_HTTP_NO_CONTENT, NULL,
                   MHD_create_response_from_buffer(0, "", MHD_RESPMEM_PERSISTENT));
}

json_t *reply_text(const char *text)
{
    json_t *string = json_string(text);
    char *copy = string == NULL ? strdup(text) : NULL;
    if (copy != NULL) {
        for (char *c = copy; *c != '\0'; c++)
            if ((unsigned char)*c >= 0x80)
                *c = '?';
        string = json_string(copy);
        free(copy);
    }
    return string;
}

static json_t *problem_body(const struct server_problem *problem,
                            const struct server_problem_meaning *meaning)
{
    char type[64];
    snprintf(type, sizeof type, "/v1/problems/%s", meaning->code);
    json_t *body = json_pack("{s:s, s:s, s:i, s:o, s:s}", "type", type, "title",
                             meaning->title, "status", meaning->status, "detail",
                             reply_text(problem->detail), "code", meaning->code);
    if (problem->field[0] != '\0')
        json_object_set_new(body, "field", reply_text(problem->field));
    if (problem->limit_bytes > 0)
        json_object_set_new(body, "limit_bytes",
                            json_integer((json_int_t)problem->limit_bytes));
    if (problem->allowed[0] != '\0')
        json_object_set_new(body, "allowed", json_string(problem->allowed));
    return body;
}

static int retry_after_s(enum server_problem_code code)
{
    switch (code) {
    case SERVER_PROBLEM_NOT_READY:
        return RETRY_SOON_S;
    case SERVER_PROBLEM_QUEUE_FULL:
    case SERVER_PROBLEM_UNAVAILABLE:
        return RETRY_LATER_S;
    default:
        return 0;
    }
}

void reply_problem(struct request *request, const struct server_problem *problem)
{
    const struct server_problem_meaning *meaning = server_problem_meaning(problem->code);
    if (meaning->status ==
        0) { /* it belongs inside analyses: then it is our own fault here */
        struct server_problem outer = {0};
        server_problem_set(&outer, SERVER_PROBLEM_UNAVAILABLE, problem->field, "%s",
                           problem->detail);
        reply_problem(request, &outer);
        return;
    }
    if (meaning->status >= 500)
        log_line(LOG_LEVEL_WARNING, "answered %d %s: %s", meaning->status, meaning->code,
                 problem->detail);
    /* Without memory there is no response, and the connection is closed instead. */
    set_response(request, (unsigned)meaning->status, "application/problem+json", NULL,
                 of_text(dumped(problem_body(problem, meaning))));
    int retry_s = retry_after_s(problem->code);
    if (retry_s > 0) {
        char text[16];
        snprintf(text, sizeof text, "%d", retry_s);
        reply_header(request, "Retry-After", text);
    }
    if (problem->code == SERVER_PROBLEM_WRONG_METHOD)
        reply_header(request, "Allow", problem->allowed);
}

void reply_problem_within_body(struct request *request,
                               const struct server_problem *problem)
{
    const struct server_problem_meaning *meaning = server_problem_meaning(problem->code);
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(request->connection, MHD_CONNECTION_INFO_CONNECTION_FD);
    char *body = dumped(problem_body(problem, meaning)), *answer = NULL, date[40];
    time_t now = time(NULL);
    struct tm utc;
    request->status = (unsigned)meaning->status;
    strftime(date, sizeof date, "%a, %d %b %Y %H:%M:%S GMT", gmtime_r(&now, &utc));
    int bytes =
        body == NULL
            ? -1
            : asprintf(&answer,
                       "HTTP/1.1 %d %s\r\nDate: %s\r\nConnection: close\r\n"
                       "Content-Type: application/problem+json\r\n"
                       "X-Content-Type-Options: nosniff\r\n"
                       "Cache-Control: no-store\r\nContent-Length: %zu\r\n\r\n%s",
                       meaning->status, MHD_get_reason_phrase_for(request->status), date,
                       strlen(body), body);
    /* It fits what the socket holds unless the client is up to no good. */
    if (bytes >= 0 && info != NULL)
        (void)send(info->connect_fd, answer, (size_t)bytes, MSG_NOSIGNAL | MSG_DONTWAIT);
    if (bytes >= 0)
        free(answer);
    free(body);
}
