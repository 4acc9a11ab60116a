/** Lists within a text: "capture! measurement! settings", "201 capture, 204 -". Pure. */
#ifndef SERVER_HTTP_WORDS_H
#define SERVER_HTTP_WORDS_H

#include <stdbool.h>
#include <stddef.h>

enum { WORDS_BYTES = 96 };

/** Fills the next item of the list at *at, which `separator` (and blanks) divide, and
 * moves *at behind it. False at the end; a list that is NULL is empty. An item longer
 * than WORDS_BYTES − 1 is our own mistake. */
bool words_next(const char **at, char separator, char item[WORDS_BYTES]);

/** Appends a word to a list that spaces divide; one that does not fit is left out. */
void words_append(const char *word, char *list, size_t size);

#endif
