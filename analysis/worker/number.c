#include "analysis/worker/number.h"

#include <assert.h>
#include <math.h>

json_t *number_plain(double number)
{
    assert(isfinite(number));
    if (number == rint(number) && fabs(number) < 1e15)
        return json_integer((json_int_t)number);
    return json_real(number);
}

json_t *number_or_null(double number)
{
    if (!isfinite(number))
        return json_null();
    return json_real(number + 0.0);
}
