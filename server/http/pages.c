#include "server/http/pages.h"

#include <stdio.h>
#include <string.h>

#include "server/base/limits.h"

enum { LINK_BYTES = 2048 };

bool pages_read(const struct request *request, struct store_query *query,
                struct server_problem *problem)
{
    *query = (struct store_query){.state = -1, .limit = LIMIT_PAGE_ITEMS_DEFAULT};
    const char *limit = request_parameter(request, "limit");
    const char *cursor = request_parameter(request, "cursor");
    int64_t items = query->limit;
    if (limit != NULL &&
        !values_integer("limit", limit, 1, LIMIT_PAGE_ITEMS, &items, problem))
        return false;
    query->limit = (int)items;
    return cursor == NULL || values_cursor(cursor, &query->before, problem);
}

static void append(char *link, const char *name, const char *value)
{
    size_t used = strlen(link);
    snprintf(link + used, LINK_BYTES - used,
             "%c%s=", strchr(link, '?') == NULL ? '?' : '&', name);
    target_append_encoded(link, LINK_BYTES, value);
}

/* What the request asked for, the cursor aside. */
static void begin_link(const struct request *request, const char *path,
                       const char *filters, char *link)
{
    snprintf(link, LINK_BYTES, "%s", path);
    for (int i = 0; i < request->target.parameter_count; i++) {
        const struct target_parameter *parameter = &request->target.parameters[i];
        if (target_word_among(parameter->name, filters) ||
            strcmp(parameter->name, "limit") == 0)
            append(link, parameter->name, parameter->value);
    }
}

json_t *pages_links(const struct request *request, const char *path, const char *filters,
                    int64_t next)
{
    char link[LINK_BYTES];
    begin_link(request, path, filters, link);
    const char *cursor = request_parameter(request, "cursor");
    if (cursor != NULL)
        append(link, "cursor", cursor);
    json_t *links = json_pack("{s:s}", "self", link);
    if (next > 0) {
        char text[VALUES_CURSOR_TEXT_BYTES];
        values_cursor_text(next, text);
        begin_link(request, path, filters, link);
        append(link, "cursor", text);
        json_object_set_new(links, "next", json_string(link));
    }
    return links;
}
