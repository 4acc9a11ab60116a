#include "server/http/vocabulary.h"

#include <string.h>

#include "server/base/limits.h"
#include "server/catalogue/catalogue_value.h"
#include "server/http/schema.h"
#include "server/http/schemas.h"
#include "server/http/schemas_measured.h"

typedef json_t *maker(const struct catalogue *catalogue);

static json_t *any_text(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_text();
}

static json_t *any_number(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_number();
}

static json_t *capture(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_id("cap");
}

static json_t *analysis(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_id("ana");
}

static json_t *name(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_short_text(LIMIT_NAME_BYTES);
}

static json_t *note(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_short_text(LIMIT_NOTE_BYTES);
}

static json_t *measurement(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_reference("measurement_name");
}

static json_t *signal(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_reference("signal_name");
}

static json_t *settings(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_reference("settings_given");
}

static json_t *state(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_words("queued running done failed cancelled");
}

static json_t *pinned(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_boolean();
}

static json_t *lifted(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_constant(json_false());
}

static json_t *played(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_nullable(schema_reference("played"));
}

static json_t *measurements(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_with(schema_array(schema_reference("measurement_name")), "uniqueItems",
                       json_true());
}

static json_t *cursor(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_pattern("^p[0-9a-f]{1,15}$");
}

static json_t *limit(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_with(schema_integer(1, LIMIT_PAGE_ITEMS), "default",
                       json_integer(LIMIT_PAGE_ITEMS_DEFAULT));
}

static json_t *channel(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_integer(1, CATALOGUE_VALUE_MAX_CHANNELS);
}

static json_t *points(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_integer(LIMIT_SERIES_POINTS_MIN, LIMIT_SERIES_POINTS_MAX);
}

/* The names of all curves there are, each once. */
static json_t *series(const struct catalogue *catalogue)
{
    json_t *seen = json_object(), *names = json_array();
    const json_t *all = catalogue_measurements(catalogue);
    for (size_t i = 0; i < json_array_size(all); i++) {
        const json_t *list = json_object_get(json_array_get(all, i), "series");
        for (size_t k = 0; k < json_array_size(list); k++) {
            json_t *text = json_object_get(json_array_get(list, k), "name");
            if (json_object_get(seen, json_string_value(text)) == NULL)
                json_array_append(names, text);
            json_object_set(seen, json_string_value(text), text);
        }
    }
    json_decref(seen);
    return json_pack("{s:s, s:o}", "type", "string", "enum", names);
}

static json_t *problem_code(const struct catalogue *catalogue)
{
    char words[SCHEMAS_CODES_BYTES];
    (void)catalogue;
    schemas_codes(-1, words);
    return schema_words(words);
}

static json_t *digest(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_pattern("sha-256=:[A-Za-z0-9+/]{43}=?:");
}

static json_t *key(const struct catalogue *catalogue)
{
    (void)catalogue;
    return schema_short_text(LIMIT_KEY_BYTES);
}

struct word {
    const char *name;
    maker *schema;
    const char *meaning;
};

static const struct word fields[] = {
    {"capture", capture, "The id of a capture."},
    {"measurement", measurement, "The name of a measurement (GET /v1/measurements)."},
    {"settings", settings,
     "Settings of the measurement; those left out are those parameters of what was "
     "played "
     "that have their names, or else their defaults."},
    {"floor_capture", capture,
     "The id of a capture of the recorder measured on itself, with the same settings."},
    {"state", state, "Only analyses in this state."},
    {"tester", any_text, "Only what this tester sent."},
    {"cursor", cursor, "Where the page begins: as in the `next` link of the one before."},
    {"limit", limit, "How many items a page holds at most."},
    {"name", name, "A name for the capture, in UTF-8; the limit counts bytes."},
    {"note", note, "A note on the capture, in UTF-8; the limit counts bytes."},
    {"pinned", pinned, "A pinned capture cannot be removed."},
    {"signal", played,
     "What was played, as a name and parameters of GET /v1/signals; null: not known, or "
     "for an analysis, as when left out, what its capture says at that moment."},
    {"measure", measurements,
     "A measurement to order at once, with its standard settings; may be repeated."},
    {"quarantined", lifted,
     "Ends a quarantine; where the health had failed it is looked at again."},
    {"channel", channel,
     "The channel, from 1; the first one of the curve where none is "
     "given."},
    {"points", points,
     "Thins the curve to so many points, which keep its smallest and "
     "largest values."},
    {"from", any_number, "Leaves out the points below this x."},
    {"to", any_number, "Leaves out the points above this x."},
};

static const struct word headers[] = {
    {"Prefer", any_text,
     "`wait=N` (RFC 7240): answers when the analysis has ended, or after N seconds, "
     "`prefer_wait_s` of GET /v1/ at most."},
    {"Content-Digest", digest,
     "`sha-256=:BASE64:` (RFC 9530): the body is refused where it does not match."},
    {"Idempotency-Key", key,
     "A text of one's own for this very request: sent again, it is answered as before."},
    {"If-None-Match", any_text,
     "Entity tags (RFC 9110): 304 where one is the present "
     "one."},
    {"Range", any_text, "`bytes=FIRST-LAST` (RFC 9110): a part of the file only."},
    {"If-Range", any_text, "An entity tag (RFC 9110): the range holds for it alone."},
};

static const struct word parts[] = {
    {"captures", capture, "The id of a capture."},
    {"analyses", analysis, "The id of an analysis."},
    {"measurements", measurement, "The name of a measurement."},
    {"signals", signal, "The name of a test signal."},
    {"series", series, "The name of a curve of the result."},
    {"problems", problem_code, "The code of a problem."},
};

static const struct word *find(const struct word *words, size_t count, const char *text)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(words[i].name, text) == 0)
            return &words[i];
    return NULL;
}

json_t *vocabulary_schema(enum vocabulary_kind kind, const char *word,
                          const struct catalogue *catalogue)
{
    const struct word *found = NULL;
    switch (kind) {
    case VOCABULARY_FIELD:
        found = find(fields, sizeof fields / sizeof fields[0], word);
        break;
    case VOCABULARY_HEADER:
        found = find(headers, sizeof headers / sizeof headers[0], word);
        break;
    case VOCABULARY_PART:
        found = find(parts, sizeof parts / sizeof parts[0], word);
        break;
    }
    if (found == NULL)
        return NULL;
    return schema_with(found->schema(catalogue), "description",
                       json_string(found->meaning));
}
