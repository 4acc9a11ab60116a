#include "server/http/hidden.h"

#include <string.h>

enum {
    SPACE_BYTES = 1,
    LINE_END_BYTES = 2,      /* CR LF */
    NEAR_BYTES = 128 * 1024, /* texts further apart are not of one piece */
};

struct walk {
    uintptr_t end; /* of the text before */
    bool hidden;
};

static uintptr_t end_of(const char *text)
{
    return (uintptr_t)text + strlen(text);
}

/* The next text begins at `start`, at most `most` bytes behind the one before. */
static void check_gap(struct walk *walk, uintptr_t start, uintptr_t most)
{
    uintptr_t gap = start - walk->end; /* huge where it lies before */
    if (gap > most && gap < NEAR_BYTES)
        walk->hidden = true;
}

/* A zero byte in a name is seen by the library: it then finds no colon. */
static enum MHD_Result walk_header(void *context, enum MHD_ValueKind kind,
                                   const char *name, const char *value)
{
    struct walk *walk = context;
    (void)kind;
    check_gap(walk, (uintptr_t)name, LINE_END_BYTES);
    walk->end = value != NULL ? end_of(value) : end_of(name) + 1;
    return MHD_YES;
}

bool hidden_check(struct MHD_Connection *connection, const struct hidden_line *line,
                  struct server_problem *problem)
{
    struct walk walk = {.end = end_of(line->method)};
    check_gap(&walk, line->target, SPACE_BYTES);
    walk.end = line->target_end;
    check_gap(&walk, (uintptr_t)line->version, SPACE_BYTES);
    walk.end = end_of(line->version);
    MHD_get_connection_values(connection, MHD_HEADER_KIND, walk_header, &walk);
    const union MHD_ConnectionInfo *size =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_REQUEST_HEADER_SIZE);
    if (size != NULL)
        check_gap(&walk, (uintptr_t)line->method + size->header_size, 2 * LINE_END_BYTES);
    return !walk.hidden || server_problem_set(problem, SERVER_PROBLEM_BAD_REQUEST, "",
                                              "The header of the request holds a zero "
                                              "byte, a folded line, or two blanks in its "
                                              "first line; leave them out.");
}
