#include "analysis/worker/json_build.h"

#include <assert.h>
#include <math.h>

json_t *json_build_with(json_t *object, const char *name, json_t *value)
{
    if (object && json_object_set_new(object, name, value) != 0) {
        json_decref(object);
        return NULL;
    }
    if (!object)
        json_decref(value);
    return object;
}

json_t *json_build_appended(json_t *array, json_t *value)
{
    if (array && json_array_append_new(array, value) != 0) {
        json_decref(array);
        return NULL;
    }
    if (!array)
        json_decref(value);
    return array;
}

json_t *json_build_number(double number)
{
    assert(isfinite(number));
    if (number == rint(number) && fabs(number) < 1e15)
        return json_integer((json_int_t)number);
    return json_real(number);
}

json_t *json_build_real(double number)
{
    if (!isfinite(number))
        return json_null();
    return json_real(number + 0.0);
}

json_t *json_build_warning(const char *code, int channel, const char *message)
{
    json_t *object = json_pack("{s:s,s:s}", "code", code, "message", message);
    return channel > 0 ? json_build_with(object, "channel", json_integer(channel))
                       : object;
}
