/* Expected members: OpenAPI Specification 3.1. The document itself is linted and held
 * against the daemon's answers by tests/api/openapi_test.py. */
#include "server/http/openapi.h"

#include <string.h>

#include <jansson.h>

#include "server/http/resources.h"
#include "tests/server/catalogue/described.h"
#include "tests/support/support.h"

static struct catalogue *made_up(void)
{
    struct catalogue *catalogue = NULL;
    json_t *described = described_several();
    assert_true(catalogue_new(described, &catalogue, NULL));
    json_decref(described);
    return catalogue;
}

static json_t *document_of(const struct route *const *tables)
{
    struct catalogue *catalogue = made_up();
    struct openapi *openapi = NULL;
    struct server_problem problem = {0};
    if (!openapi_new(tables, catalogue, &openapi, &problem))
        fail_msg("%s", problem.detail);
    json_t *document = json_loads(openapi_text(openapi), JSON_REJECT_DUPLICATES, NULL);
    assert_non_null(document);
    assert_int_equal(openapi_etag(openapi)[0], '"');
    openapi_free(openapi);
    catalogue_free(catalogue);
    return document;
}

/* Follows keys that are separated by spaces. */
static json_t *at(json_t *value, const char *keys)
{
    char key[64];
    while (*keys != '\0') {
        size_t length = strcspn(keys, " ");
        snprintf(key, sizeof key, "%.*s", (int)length, keys);
        value = json_is_array(value)
                    ? json_array_get(value, (size_t)strtoul(key, NULL, 10))
                    : json_object_get(value, key);
        keys += length + strspn(keys + length, " ");
    }
    return value;
}

static void assert_text(json_t *document, const char *keys, const char *want)
{
    const char *got = json_string_value(at(document, keys));
    if (got == NULL || strcmp(got, want) != 0)
        fail_msg("%s is %s, not %s", keys, got != NULL ? got : "no text", want);
}

static void every_route_is_described(void **state)
{
    (void)state;
    json_t *document = document_of(resources_tables);
    int count = 0;
    for (const struct route *const *table = resources_tables; *table != NULL; table++) {
        for (const struct route *route = *table; route->method != NULL; route++) {
            char method[16] = "";
            for (size_t i = 0; route->method[i] != '\0'; i++)
                method[i] = (char)(route->method[i] | 0x20);
            json_t *path = json_object_get(at(document, "paths"), route->path);
            assert_text(json_object_get(path, method), "summary", route->summary);
            count++;
        }
    }
    assert_true(count > 15);
    assert_text(document, "openapi", "3.1.0");
    json_decref(document);
}

static const struct route things[] = {
    {.method = "POST",
     .path = "/v1/captures/{id}/things",
     .query = "limit",
     .body = ROUTE_BODY_JSON,
     .summary = "Makes a thing.",
     .fields = "capture! note",
     .headers = "Prefer",
     .replies = "201 capture, 200 text/csv, 304 -",
     .problems = "not_found not_ready"},
    {0},
};

static void a_table_becomes_an_operation(void **state)
{
    (void)state;
    static const struct route *const tables[] = {things, NULL};
    json_t *document = document_of(tables);
    json_t *post = json_object_get(at(document, "paths"), "/v1/captures/{id}/things");
    post = json_object_get(post, "post");
    assert_text(post, "operationId", "post_v1_captures_id_things");
    assert_text(post, "tags 0", "captures");
    assert_text(post, "parameters 0 in", "path");
    assert_text(post, "parameters 0 name", "id");
    assert_text(post, "parameters 0 schema pattern", "^cap_[a-z2-7]{20}$");
    assert_text(post, "parameters 1 name", "limit");
    assert_int_equal(json_integer_value(at(post, "parameters 1 schema maximum")), 200);
    assert_text(post, "parameters 2 in", "header");
    assert_text(post, "parameters 3 name", "If-None-Match");
    json_t *body = at(post, "requestBody content application/json schema");
    assert_text(body, "required 0", "capture");
    assert_int_equal(json_array_size(at(body, "required")), 1);
    assert_true(json_is_false(at(body, "additionalProperties")));
    assert_text(post, "responses 201 content application/json schema $ref",
                "#/components/schemas/capture");
    assert_non_null(at(post, "responses 201 headers Location"));
    assert_non_null(at(post, "responses 200 content text/csv"));
    assert_non_null(at(post, "responses 200 headers ETag"));
    assert_null(at(post, "responses 304 content"));
    const char *codes = "responses 404 content application/problem+json schema "
                        "properties code enum";
    assert_int_equal(json_array_size(at(post, codes)), 2);
    assert_non_null(at(post, "responses 404 headers Retry-After"));
    assert_non_null(at(post, "responses 503 headers Retry-After"));
    assert_non_null(at(post, "responses 403"));
    json_decref(document);
}

/* `bits` is the same in both signals, `fade` is not. */
static void parameters_of_several_signals_are_told_once(void **state)
{
    (void)state;
    json_t *document = document_of(resources_tables);
    json_t *path = json_object_get(at(document, "paths"), "/v1/signals/{name}/audio");
    const json_t *parameters = at(path, "get parameters");
    int bits = 0, fade = 0;
    for (size_t i = 0; i < json_array_size(parameters); i++) {
        json_t *parameter = json_array_get(parameters, i);
        const char *name = json_string_value(json_object_get(parameter, "name"));
        if (strcmp(name, "bits") == 0) {
            bits++;
            assert_text(parameter, "description", "m (bit)");
            assert_int_equal(json_array_size(at(parameter, "schema enum")), 3);
        }
        if (strcmp(name, "fade") == 0) {
            fade++;
            assert_int_equal(json_array_size(at(parameter, "schema anyOf")), 2);
            assert_text(parameter, "schema anyOf 0 default", "short");
            assert_text(parameter, "schema anyOf 1 type", "number");
            assert_text(parameter, "schema anyOf 1 description", "m (s)");
        }
    }
    assert_int_equal(bits, 1);
    assert_int_equal(fade, 1);
    json_decref(document);
}

static void a_table_that_says_too_little_is_refused(void **state)
{
    (void)state;
#define ROUTE .method = "GET", .path = "/v1/captures/{id}", .query = ""
    static const struct {
        const char *why;
        struct route route;
    } cases[] = {
        {"has no summary", {ROUTE, .replies = "200 capture"}},
        {"does not tell its replies", {ROUTE, .summary = "S."}},
        {"replies with the unknown schema thing",
         {ROUTE, .summary = "S.", .replies = "200 thing"}},
        {"has the unknown problem thing",
         {ROUTE, .summary = "S.", .replies = "204 -", .problems = "thing"}},
        {"has the unknown problem timed_out", /* only inside analyses */
         {ROUTE, .summary = "S.", .replies = "204 -", .problems = "timed_out"}},
        {"has the unknown word thing",
         {ROUTE, .summary = "S.", .replies = "204 -", .headers = "thing"}},
        {"has the unknown word thing",
         {.method = "GET", .path = "/v1/", .query = "limit thing", .summary = "S."}},
        {"has an unknown part after things",
         {.method = "GET", .path = "/v1/things/{id}", .query = "", .summary = "S."}},
        {"does not tell the fields of its body",
         {ROUTE, .summary = "S.", .replies = "204 -", .body = ROUTE_BODY_JSON}},
        {"has the unknown field thing",
         {ROUTE, .summary = "S.", .body = ROUTE_BODY_JSON, .fields = "note thing!"}},
    };
    struct catalogue *catalogue = made_up();
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        const struct route table[] = {cases[i].route, {0}};
        const struct route *const tables[] = {table, NULL};
        struct openapi *openapi = NULL;
        struct server_problem problem = {0};
        assert_false(openapi_new(tables, catalogue, &openapi, &problem));
        if (strstr(problem.detail, cases[i].why) == NULL)
            fail_msg("%s: %s", cases[i].why, problem.detail);
    }
    catalogue_free(catalogue);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_route_is_described),
        cmocka_unit_test(a_table_becomes_an_operation),
        cmocka_unit_test(parameters_of_several_signals_are_told_once),
        cmocka_unit_test(a_table_that_says_too_little_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
