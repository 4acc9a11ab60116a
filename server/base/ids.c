#include "server/base/ids.h"

#include <assert.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>

enum { RANDOM_CHARACTERS = 20 };

static const char alphabet[] = "abcdefghijklmnopqrstuvwxyz234567"; /* base32, RFC 4648 */

void id_new(const char *prefix, char id[ID_BYTES])
{
    unsigned char random[RANDOM_CHARACTERS];
    /* Up to 256 bytes come whole or not at all (getrandom(2)). */
    if (getrandom(random, sizeof random, 0) != (ssize_t)sizeof random)
        abort();
    size_t length = strlen(prefix);
    assert(length + 1 + RANDOM_CHARACTERS < ID_BYTES);
    memcpy(id, prefix, length);
    id[length++] = '_';
    for (int i = 0; i < RANDOM_CHARACTERS; i++)
        id[length++] = alphabet[random[i] % 32]; /* 256 is a multiple of 32: no bias */
    id[length] = '\0';
}

bool id_valid(const char *prefix, const char *text)
{
    size_t length = strlen(prefix);
    if (strncmp(text, prefix, length) != 0 || text[length] != '_')
        return false;
    const char *characters = text + length + 1;
    return strlen(characters) == RANDOM_CHARACTERS &&
           strspn(characters, alphabet) == RANDOM_CHARACTERS;
}
