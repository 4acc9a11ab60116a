#include "server/http/headers.h"

#include <stdlib.h>
#include <string.h>
#include <strings.h>

#include "server/base/limits.h"
#include "server/http/values.h"

struct headers headers_empty(void)
{
    return (struct headers){.prefer_wait_s = -1};
}

static void take_single(const char **slot, const char *name, const char *value,
                        struct server_problem *fault)
{
    if (*slot != NULL)
        server_problem_set(fault, SERVER_PROBLEM_BAD_REQUEST, name,
                           "The header %s is there twice; send it once.", name);
    *slot = value;
}

static void take_line(struct headers_lines *lines, const char *value)
{
    if (lines->count < HEADERS_LINES_MAX)
        lines->lines[lines->count++] = value;
}

/* RFC 9110, section 5.6.2. */
static bool is_token(const char *name)
{
    const char *c = name;
    while (*c != '\0' &&
           ((*c >= '0' && *c <= '9') || ((*c | 0x20) >= 'a' && (*c | 0x20) <= 'z') ||
            strchr("!#$%&'*+-.^_`|~", *c) != NULL))
        c++;
    return c > name && *c == '\0';
}

static void check_bytes(const char *name, const char *value, struct server_problem *fault)
{
    if (!is_token(name))
        server_problem_set(fault, SERVER_PROBLEM_BAD_REQUEST, "",
                           "The name of a header holds a character it must not hold.");
    for (const char *c = value; *c != '\0'; c++)
        if (((unsigned char)*c < 0x20 && *c != '\t') || *c == 0x7f)
            server_problem_set(fault, SERVER_PROBLEM_BAD_REQUEST, name,
                               "The header %.60s holds the control byte 0x%02x; leave it "
                               "out.",
                               name, (unsigned char)*c);
}

void headers_take(struct headers *headers, const char *name, const char *value)
{
    const struct {
        const char *name;
        const char **slot;
    } singles[] = {
        {"Host", &headers->host},
        {"Origin", &headers->origin},
        {"Content-Length", &headers->content_length},
        {"Content-Encoding", &headers->content_encoding},
        {"Transfer-Encoding", &headers->transfer_encoding},
        {"Content-Digest", &headers->content_digest},
        {"Expect", &headers->expect},
        {"Idempotency-Key", &headers->idempotency_key},
        {"Range", &headers->range},
        {"If-Range", &headers->if_range},
        {"If-Match", &headers->if_match},
        {"If-Unmodified-Since", &headers->if_unmodified_since},
    };
    value = value != NULL ? value : "";
    headers->count++;
    check_bytes(name, value, &headers->fault);
    for (size_t i = 0; i < sizeof singles / sizeof singles[0]; i++)
        if (((name[0] ^ singles[i].name[0]) & ~0x20) == 0 && /* most differ there */
            strcasecmp(name, singles[i].name) == 0)
            take_single(singles[i].slot, singles[i].name, value, &headers->fault);
    if (strcasecmp(name, "Accept") == 0)
        take_line(&headers->accept, value);
    if (strcasecmp(name, "If-None-Match") == 0)
        take_line(&headers->if_none_match, value);
    if (strcasecmp(name, "Prefer") == 0 && headers->prefer_wait_s < 0)
        headers->prefer_wait_s = values_prefer_wait_s(value);
}

/* Compares the host part of "name", "name:port", "[v6]" or "[v6]:port". */
static bool host_known(const char *host, const char *const *hosts)
{
    size_t length = host[0] == '[' ? strcspn(host, "]") + (strchr(host, ']') != NULL)
                                   : strcspn(host, ":");
    const char *port = host + length;
    if (*port != '\0' &&
        (*port != ':' || strspn(port + 1, "0123456789") != strlen(port + 1)))
        return false;
    for (; *hosts != NULL; hosts++)
        if (strlen(*hosts) == length && strncasecmp(host, *hosts, length) == 0)
            return true;
    return false;
}

static bool check_host(const char *host, const struct headers_check *check,
                       struct server_problem *problem)
{
    if (host == NULL && !check->host_required)
        return true;
    if (host == NULL)
        return server_problem_set(problem, SERVER_PROBLEM_BAD_REQUEST, "Host",
                                  "The header Host is missing; HTTP/1.1 requires it.");
    if (!host_known(host, check->hosts))
        return server_problem_set(problem, SERVER_PROBLEM_WRONG_HOST, "Host",
                                  "This is not the host \"%.100s\"; use the address the "
                                  "daemon printed, or start it with --host-name NAME.",
                                  host);
    return true;
}

/* Same origin: "http://" and what the client itself calls this host. */
static bool check_origin(const struct headers *headers, struct server_problem *problem)
{
    static const char scheme[] = "http://";
    const char *origin = headers->origin;
    if (origin == NULL)
        return true;
    if (headers->host != NULL && strncasecmp(origin, scheme, sizeof scheme - 1) == 0 &&
        strcasecmp(origin + sizeof scheme - 1, headers->host) == 0)
        return true;
    return server_problem_set(problem, SERVER_PROBLEM_FORBIDDEN, "Origin",
                              "A page from \"%.100s\" may not change anything here.",
                              origin);
}

static bool check_framing(const struct headers *headers, struct server_problem *problem)
{
    const char *coding = headers->transfer_encoding;
    const char *length = headers->content_length;
    if (coding != NULL && strcasecmp(coding, "chunked") != 0)
        return server_problem_set(
            problem, SERVER_PROBLEM_BAD_REQUEST, "Transfer-Encoding",
            "The transfer coding \"%.60s\" is not served; chunked is.", coding);
    if (coding != NULL && length != NULL)
        return server_problem_set(
            problem, SERVER_PROBLEM_BAD_REQUEST, "Content-Length",
            "A Content-Length beside a Transfer-Encoding can be read "
            "in two ways; send one of them.");
    if (length != NULL &&
        (*length == '\0' || strspn(length, "0123456789") != strlen(length)))
        return server_problem_set(
            problem, SERVER_PROBLEM_BAD_REQUEST, "Content-Length",
            "The Content-Length \"%.40s\" is not a number of bytes.", length);
    return true;
}

bool headers_check(const struct headers *headers, const struct headers_check *check,
                   struct server_problem *problem)
{
    if (headers->fault.code != SERVER_PROBLEM_NONE) {
        if (problem != NULL && problem->code == SERVER_PROBLEM_NONE)
            *problem = headers->fault;
        return false;
    }
    if (headers->count > LIMIT_HEADERS)
        return server_problem_set(problem, SERVER_PROBLEM_BAD_REQUEST, "",
                                  "The request has %d headers; at most %d are read.",
                                  headers->count, LIMIT_HEADERS);
    const char *authority = check->authority;
    return check_framing(headers, problem) && check_host(headers->host, check, problem) &&
           (authority == NULL || check_host(authority, check, problem)) &&
           (!check->unsafe || check_origin(headers, problem));
}

int64_t headers_body_bytes(const struct headers *headers)
{
    if (headers->transfer_encoding != NULL)
        return -1;
    if (headers->content_length == NULL)
        return 0;
    unsigned long long bytes = strtoull(headers->content_length, NULL, 10);
    return bytes > INT64_MAX ? INT64_MAX : (int64_t)bytes;
}
