/**
 * A hostile JSON body, as orders, changes and uploads read theirs, and its settings and
 * parameters against the worker's real description. What the daemon lets through the
 * worker must be able to read.
 */
#include "tests/fuzz/fuzz.h"

#include <assert.h>
#include <stdlib.h>

#include "analysis/measurements/registry.h"
#include "analysis/worker/describe.h"
#include "analysis/worker/settings_json.h"
#include "analysis/worker/signal_json.h"
#include "server/base/limits.h"
#include "server/catalogue/catalogue.h"
#include "server/http/body.h"
#include "server/http/played.h"
#include "server/http/values.h"
#include "tests/fuzz/support/told.h"

static const struct catalogue *the_catalogue(void)
{
    static struct catalogue *catalogue;
    if (catalogue)
        return catalogue;
    struct server_problem problem = {0};
    json_t *described = describe_all();
    assert(described && catalogue_new(described, &catalogue, &problem));
    json_decref(described);
    return catalogue;
}

static void read_settings(const struct description *description, const json_t *settings)
{
    struct settings read;
    struct problem problem = {0};
    assert(settings_json_read(description, settings, &read, &problem));
    json_t *written = settings_json_write(&read);
    assert(written != NULL);
    json_decref(written);
}

/* What was played, as stored, is what the worker can read. */
static void check_signal(const json_t *signal)
{
    struct server_problem problem = {0};
    struct problem refused = {0};
    struct signal_json read;
    char *text = NULL;
    if (!told(played_read(signal, the_catalogue(), &text, &problem), &problem))
        return;
    json_t *stored = text ? json_loads(text, JSON_REJECT_DUPLICATES, NULL) : NULL;
    assert((stored == NULL) == json_is_null(signal));
    assert(signal_json_read(stored, &read, &refused));
    json_t *written = signal_json_write(&read);
    assert(written != NULL);
    json_decref(written);
    json_decref(stored);
    free(text);
}

static void check_order(const json_t *body)
{
    struct server_problem problem = {0};
    const char *name;
    if (!told(body_check_fields(
                  body, "capture! measurement! settings signal floor_capture", &problem),
              &problem) ||
        !body_text(body, "capture", &problem) ||
        (name = body_text(body, "measurement", &problem)) == NULL)
        return;
    const json_t *signal = json_object_get(body, "signal");
    if (signal)
        check_signal(signal);
    const json_t *settings = json_object_get(body, "settings");
    const json_t *measurement = catalogue_measurement(the_catalogue(), name);
    if (measurement && settings &&
        told(catalogue_check_settings(measurement, settings, &problem), &problem))
        read_settings(&registry_find(name)->description, settings);
}

/* A text as the query of a rendering gives it. */
static void check_parameter(const json_t *signal, const char *name, const char *text)
{
    struct server_problem problem = {0};
    json_t *read = catalogue_parameter_from_text(signal, name, text, &problem);
    told(read != NULL, &problem);
    json_decref(read);
}

static void check_texts(const json_t *body)
{
    const json_t *signals = catalogue_signals(the_catalogue());
    const char *name;
    json_t *value;
    json_object_foreach((json_t *)body, name, value)
    {
        struct server_problem problem = {0};
        const char *text = json_string_value(value);
        if (!text)
            continue;
        told(values_text(name, text, LIMIT_NAME_BYTES, false, &problem), &problem);
        for (size_t i = 0; i < json_array_size(signals); i++)
            check_parameter(json_array_get(signals, i), name, text);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct body body = {0};
    struct server_problem problem = {0};
    json_t *object = NULL;
    const char *bytes = (const char *)data;
    bool good = body_append(&body, bytes, size / 2, &problem) &&
                body_append(&body, bytes + size / 2, size - size / 2, &problem) &&
                body_parse(&body, &object, &problem);
    if (told(good, &problem)) {
        check_order(object);
        check_signal(object);
        check_texts(object);
        char *dumped =
            json_dumps(object, JSON_COMPACT | JSON_SORT_KEYS | JSON_REAL_PRECISION(17));
        assert(dumped != NULL);
        free(dumped);
    }
    json_decref(object);
    body_free(&body);
    return 0;
}
