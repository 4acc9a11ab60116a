#include "server/http/resources.h"

#include <stddef.h>

const struct route *const resources_tables[] = {
    root_routes,
    health_routes,
    interface_routes,
    problems_routes,
    metrics_routes,
    measurements_routes,
    signals_routes,
    captures_routes,
    captures_change_routes,
    audio_routes,
    upload_routes,
    order_routes,
    analyses_routes,
    analyses_end_routes,
    result_routes,
    curve_routes,
    NULL,
};
