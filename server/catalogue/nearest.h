/** "Did you mean …?": the known name that a misspelt one is nearest to. */
#ifndef SERVER_CATALOGUE_NEAREST_H
#define SERVER_CATALOGUE_NEAREST_H

#include <stddef.h>

enum { NEAREST_MAX_BYTES = 64 }; /* longer names are near to none */

/** How many bytes must be inserted, removed, replaced or swapped with their neighbour to
 * turn one text into the other (optimal string alignment). NEAREST_MAX_BYTES + 1 when
 * either is longer than NEAREST_MAX_BYTES. */
int nearest_distance(const char *a, const char *b);

/** The nearest of the names, borrowed; NULL when none is within 1 + a quarter of its
 * length. */
const char *nearest_name(const char *wrong, const char *const *names, size_t count);

#endif
