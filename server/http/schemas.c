#include "server/http/schemas.h"

#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include "server/base/limits.h"
#include "server/base/problem.h"
#include "server/http/schema.h"
#include "server/http/schemas_capture.h"

void schemas_codes(int status, char words[SCHEMAS_CODES_BYTES])
{
    size_t used = 0;
    words[0] = '\0';
    for (int code = SERVER_PROBLEM_NONE + 1; code < SERVER_PROBLEM_CODES; code++) {
        const struct server_problem_meaning *meaning =
            server_problem_meaning((enum server_problem_code)code);
        if (status < 0 || meaning->status == status)
            used += (size_t)snprintf(words + used, SCHEMAS_CODES_BYTES - used, "%s%s",
                                     used > 0 ? " " : "", meaning->code);
    }
}

static json_t *count(void)
{
    return schema_integer(0, INT64_MAX);
}

static json_t *name(void)
{
    return schema_pattern("^[a-z0-9_-]+$");
}

static json_t *all_codes(void)
{
    char words[SCHEMAS_CODES_BYTES];
    schemas_codes(-1, words);
    return schema_words(words);
}

static json_t *self_links(void)
{
    return schema_object("self!", schema_link(), NULL);
}

/* {KIND: [items], "links": {"self", "next"?}} */
static json_t *page(const char *kind, const char *item)
{
    char member[32];
    snprintf(member, sizeof member, "%s!", kind);
    return schema_object(
        member, schema_array(schema_reference(item)), "links!",
        schema_object("self!", schema_link(), "next", schema_link(), NULL), NULL);
}

static json_t *list(const char *kind, const char *item)
{
    char member[32];
    snprintf(member, sizeof member, "%s!", kind);
    return schema_object(member, schema_array(schema_reference(item)), "links!",
                         self_links(), NULL);
}

static json_t *root(void)
{
    return schema_object(
        "name!", schema_text(), "version!", schema_text(), "limits!",
        schema_object("upload_bytes!", count(), "json_body_bytes!", count(),
                      "name_bytes!", count(), "note_bytes!", count(), "page_items!",
                      count(), "prefer_wait_s!", count(), "series_points!", count(),
                      "queue_length!", count(), NULL),
        "links!",
        schema_object("self!", schema_link(), "health!", schema_link(), "openapi!",
                      schema_link(), "problems!", schema_link(), "metrics!",
                      schema_link(), "measurements!", schema_link(), "signals!",
                      schema_link(), "captures!", schema_link(), "analyses!",
                      schema_link(), NULL),
        NULL);
}

static json_t *health(void)
{
    return schema_object(
        "alive!", schema_constant(json_true()), "ready!", schema_boolean(), "queue!",
        schema_object("waiting!", count(), "running!", count(), NULL), "workers!",
        schema_object("alive!", count(), "busy!", count(), NULL), "free_disk_bytes!",
        count(), NULL);
}

static json_t *failure(void)
{
    return schema_object("code!", all_codes(), "title!", schema_text(), "detail!",
                         schema_text(), "field", schema_text(), NULL);
}

/* The members that every state has. */
static json_t *analysis_in(const char *state)
{
    return schema_object(
        "id!", schema_id("ana"), "state!", schema_constant(json_string(state)),
        "measurement!", schema_reference("measurement_name"), "capture!",
        schema_id("cap"), "floor_capture", schema_id("cap"), "settings!",
        schema_reference("settings_given"), "signal!",
        schema_nullable(schema_reference("played")), "tester!", schema_text(), "created!",
        schema_time(), "links!",
        schema_object("self!", schema_link(), "capture!", schema_link(), NULL), NULL);
}

/* A member more; a name that ends in '!' must be there. Takes both over. */
static json_t *with_member(json_t *object, const char *member, json_t *schema)
{
    char plain[32];
    size_t length = strcspn(member, "!");
    snprintf(plain, sizeof plain, "%.*s", (int)length, member);
    if (member[length] == '!')
        json_array_append_new(json_object_get(object, "required"), json_string(plain));
    json_object_set_new(json_object_get(object, "properties"), plain, schema);
    return object;
}

static json_t *with_times(json_t *object, const char *started)
{
    return with_member(with_member(object, started, schema_time()), "finished!",
                       schema_time());
}

static json_t *analysis(void)
{
    json_t *queued =
        with_member(analysis_in("queued"), "position!", schema_integer(1, INT64_MAX));
    json_t *progress = schema_with(schema_number(), "minimum", json_integer(0));
    json_t *running =
        with_member(with_member(analysis_in("running"), "started!", schema_time()),
                    "progress!", schema_with(progress, "maximum", json_integer(1)));
    json_t *done = with_times(analysis_in("done"), "started!");
    json_t *links = json_object_get(json_object_get(done, "properties"), "links");
    with_member(links, "result!", schema_link());
    json_t *failed = with_member(with_times(analysis_in("failed"), "started!"),
                                 "problem!", schema_reference("failure"));
    json_t *cancelled = with_times(analysis_in("cancelled"), "started");
    return json_pack("{s:s, s:[o, o, o, o, o]}", "description",
                     "One measurement of one recording, in each of its states.", "oneOf",
                     queued, running, done, failed, cancelled);
}

/* Settings of a measurement, parameters of a signal. */
static json_t *setting(void)
{
    return schema_object(
        "name!", name(), "type!",
        schema_words("number integer range choice choice_or_number channels"), "unit!",
        schema_text(), "default!", json_object(), "minimum!",
        schema_nullable(schema_number()), "maximum!", schema_nullable(schema_number()),
        "choices!", schema_nullable(schema_array(json_object())), "meaning!",
        schema_text(), NULL);
}

static json_t *axis(void)
{
    return schema_object("name!", schema_text(), "unit!", schema_text(), NULL);
}

static json_t *value_type(void)
{
    return schema_words("number boolean word");
}

static json_t *measurement(void)
{
    json_t *figure = schema_object("name!", name(), "unit!", schema_text(), "definition!",
                                   schema_text(), "source!", schema_text(), "better!",
                                   schema_words("lower higher none"), "floor!",
                                   schema_words("none noise harmonic"), NULL);
    json_t *finding = schema_object("name!", name(), "type!", value_type(), "definition!",
                                    schema_text(), NULL);
    json_t *field = schema_object("name!", name(), "type!", value_type(), "unit!",
                                  schema_text(), NULL);
    json_t *rows = schema_object("name!", name(), "definition!", schema_text(), "fields!",
                                 schema_array(field), NULL);
    json_t *series =
        schema_object("name!", name(), "definition!", schema_text(), "x!",
                      schema_reference("axis"), "y!", schema_reference("axis"), NULL);
    return schema_object("name!", schema_reference("measurement_name"), "summary!",
                         schema_text(), "stimulus!", schema_text(), "settings!",
                         schema_array(schema_reference("setting")), "figures!",
                         schema_array(figure), "findings!", schema_array(finding),
                         "lists!", schema_array(rows), "series!", schema_array(series),
                         "links!", self_links(), NULL);
}

static json_t *signal(void)
{
    return schema_object(
        "name!", schema_reference("signal_name"), "summary!", schema_text(),
        "parameters!", schema_array(schema_reference("setting")), "formats!",
        schema_array(schema_words("wav flac")), "links!", self_links(), NULL);
}

/* RFC 9457 with our own members. */
static json_t *problem(void)
{
    return schema_object("type!", schema_pattern("^/v1/problems/[a-z_]+$"), "title!",
                         schema_text(), "status!", schema_integer(400, 599), "detail!",
                         schema_pattern("\\.$"), "code!", all_codes(), "field",
                         schema_text(), "limit_bytes", schema_integer(1, INT64_MAX),
                         "allowed", schema_text(), NULL);
}

static json_t *problem_meaning(void)
{
    return schema_object("code!", all_codes(), "title!", schema_text(), "status!",
                         schema_nullable(schema_integer(400, 599)), "meaning!",
                         schema_text(), "remedy!", schema_text(), "links!", self_links(),
                         NULL);
}

static bool add(json_t *schemas, const char *schema_name, json_t *schema)
{
    return json_object_set_new(schemas, schema_name, schema) == 0;
}

bool schemas_add(json_t *schemas)
{
    static const struct {
        const char *name;
        json_t *(*make)(void);
    } table[] = {
        {"root", root},
        {"health", health},
        {"failure", failure},
        {"analysis", analysis},
        {"setting", setting},
        {"axis", axis},
        {"measurement", measurement},
        {"signal", signal},
        {"problem", problem},
        {"problem_meaning", problem_meaning},
    };
    bool added = schemas_capture_add(schemas);
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++)
        added = add(schemas, table[i].name, table[i].make()) && added;
    json_t *openapi = json_pack("{s:s, s:s}", "type", "object", "description",
                                "An OpenAPI 3.1 document.");
    return add(schemas, "openapi", openapi) &&
           add(schemas, "captures", page("captures", "capture")) &&
           add(schemas, "analyses", page("analyses", "analysis")) &&
           add(schemas, "measurements", list("measurements", "measurement")) &&
           add(schemas, "signals", list("signals", "signal")) &&
           add(schemas, "problem_meanings", list("problems", "problem_meaning")) && added;
}
