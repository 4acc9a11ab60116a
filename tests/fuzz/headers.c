/**
 * A hostile request line and header: "METHOD TARGET", then "Name: value" lines, as the
 * library hands them over, and everything that reads the texts in them.
 */
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>

#include "server/base/ids.h"
#include "server/base/limits.h"
#include "server/http/accept.h"
#include "server/http/etags.h"
#include "server/http/filename.h"
#include "server/http/headers.h"
#include "server/http/ranges.h"
#include "server/http/resources.h"
#include "server/http/target.h"
#include "server/http/values.h"
#include "tests/fuzz/support/told.h"

static const uint64_t sizes[] = {1, 44, 1 << 20, (uint64_t)1 << 40};

/* What goes into a header must not end it, nor the name within it. */
static void check_filename(const char *name)
{
    char disposition[FILENAME_DISPOSITION_BYTES];
    filename_disposition(name, "recording", ".wav", disposition);
    static const char begin[] = "attachment; filename=\"";
    assert(strncmp(disposition, begin, sizeof begin - 1) == 0);
    const char *end = strchr(disposition + sizeof begin - 1, '"');
    assert(end && !strchr(end + 1, '"'));
    for (const char *c = disposition; *c != '\0'; c++)
        assert((unsigned char)*c >= 0x20 && (unsigned char)*c < 0x7f && *c != '\\');
}

static void check_value(const struct target_parameter *parameter)
{
    struct server_problem problems[5] = {{0}};
    const char *name = parameter->name, *text = parameter->value;
    int64_t number = 0, cursor = 0;
    double real = 0;
    char encoded[3 * 200 + 8] = "?x=";
    if (told(values_integer(name, text, 1, 200, &number, &problems[0]), &problems[0]))
        assert(number >= 1 && number <= 200);
    if (told(values_number(name, text, &real, &problems[1]), &problems[1]))
        assert(real - real == 0);
    if (told(values_cursor(text, &cursor, &problems[2]), &problems[2]))
        assert(cursor > 0);
    told(values_key(name, text, &problems[3]), &problems[3]);
    told(values_text(name, text, LIMIT_NOTE_BYTES, true, &problems[4]), &problems[4]);
    (void)id_valid("cap", text);
    check_filename(text);
    if (strlen(text) > 200)
        return;
    /* encoded and taken apart it is the same again */
    struct target target = {0};
    struct server_problem problem = {0};
    target_append_encoded(encoded, sizeof encoded, text);
    assert(target_parse(encoded, &target, &problem));
    assert(strcmp(target_get(&target, "x"), text) == 0);
    target_free(&target);
}

static const char *check_target(const char *method, const char *raw,
                                struct target *target)
{
    struct server_problem problem = {0}, unknown = {0}, unmatched = {0};
    struct router_match match;
    if (!told(target_parse(raw, target, &problem), &problem))
        return NULL;
    told(target_check_known(target, "name note measure signal", &unknown), &unknown);
    told(router_match(resources_tables, method, target, &match, &unmatched), &unmatched);
    for (int i = 0; i < target->parameter_count; i++)
        check_value(&target->parameters[i]);
    return target->authority;
}

static void check_ranges(const char *header)
{
    for (size_t i = 0; i < sizeof sizes / sizeof sizes[0]; i++) {
        struct range range;
        if (ranges_read(header, sizes[i], &range) != RANGES_PART)
            continue;
        assert(range.first < sizes[i] && range.count >= 1 &&
               range.count <= sizes[i] - range.first);
    }
}

static void check_headers(const struct headers *headers, const char *authority)
{
    static const char *const hosts[] = {"localhost", "127.0.0.1", "[::1]", NULL};
    static const char *const types[] = {"application/json", "text/csv"};
    const struct accept_offers offers = {types, 2};
    struct server_problem problem = {0}, digest_problem = {0};
    uint8_t digest[VALUES_SHA256_BYTES];
    bool found;
    told(headers_check(headers, &(struct headers_check){authority, hosts, true, true},
                       &problem),
         &problem);
    assert(headers_body_bytes(headers) >= -1);
    assert(headers->prefer_wait_s >= -1);
    check_ranges(headers->range);
    int chosen = accept_choose(headers->accept.lines, headers->accept.count, &offers);
    assert(chosen == 0 || chosen == 1);
    for (int i = 0; i < headers->if_none_match.count; i++)
        (void)etags_find(headers->if_none_match.lines[i], "\"wav-0123456789abcdef\"");
    (void)etags_range_holds(headers->if_range, "\"wav-0123456789abcdef\"");
    told(values_content_digest(headers->content_digest, digest, &found, &digest_problem),
         &digest_problem);
}

/* Cuts the next line off. */
static char *next_line(char **text)
{
    char *line = *text;
    if (!line)
        return NULL;
    *text = strchr(line, '\n');
    if (*text)
        *(*text)++ = '\0';
    return line;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    char *text = fuzz_text(data, size), *rest = text;
    char *method = next_line(&rest), *line;
    char *raw = strchr(method, ' ');
    struct target target = {0};
    struct headers headers = headers_empty();
    if (raw)
        *raw++ = '\0';
    const char *authority = check_target(method, raw ? raw : "", &target);
    while ((line = next_line(&rest)) != NULL) {
        char *value = strchr(line, ':');
        if (value)
            *value++ = '\0';
        headers_take(&headers, line, value ? value + strspn(value, " \t") : NULL);
    }
    check_headers(&headers, authority);
    target_free(&target);
    free(text);
    return 0;
}
