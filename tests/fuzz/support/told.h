/** What holds of every problem of the server. */
#ifndef TESTS_FUZZ_SUPPORT_TOLD_H
#define TESTS_FUZZ_SUPPORT_TOLD_H

#include <stdbool.h>

#include "server/base/problem.h"

/** Asserts that there is a problem exactly when it is not `good`, and that its sentence
 * can be sent. Returns `good`. */
bool told(bool good, const struct server_problem *problem);

#endif
