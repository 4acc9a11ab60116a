/** Folders by their descriptors: made, looked into, brought to the disk, removed. */
#ifndef SERVER_STORE_FOLDER_H
#define SERVER_STORE_FOLDER_H

#include <stdbool.h>

/** Makes a folder (0700) that must not exist yet and opens it; −1 with errno. */
int folder_make(int parent, const char *name) __attribute__((warn_unused_result));
/** True for a folder without entries. */
bool folder_is_empty(int parent, const char *name);
/** Brings the names in the folder and in all below it to the disk; false with errno. The
 * files themselves are left to who wrote them. */
bool folder_sync(int folder) __attribute__((warn_unused_result));
/** Removes it with all that is in it, as far as it can. */
void folder_remove(int parent, const char *name);

#endif
