/** The route tables, one a resource file. */
#ifndef SERVER_HTTP_RESOURCES_H
#define SERVER_HTTP_RESOURCES_H

#include "server/http/router.h"

extern const struct route root_routes[], health_routes[], measurements_routes[],
    captures_routes[], captures_change_routes[], audio_routes[], upload_routes[],
    analyses_routes[], analyses_end_routes[], order_routes[], result_routes[],
    curve_routes[], signals_routes[], metrics_routes[], problems_routes[],
    interface_routes[];

/** All of them, ended by NULL. */
extern const struct route *const resources_tables[];

#endif
