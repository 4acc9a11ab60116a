/** The address of a Unix socket in a folder whose path may be longer than the 107 bytes
 * that such addresses hold: it is named by way of the open folder. */
#ifndef SERVER_CONTROL_ADDRESS_H
#define SERVER_CONTROL_ADDRESS_H

#include <stdbool.h>
#include <sys/un.h>

struct address {
    int folder; /* −1: none */
    struct sockaddr_un name;
};

/** False with errno. The name holds as long as the folder is open. */
bool address_open(const char *folder, const char *socket_name, struct address *ret)
    __attribute__((warn_unused_result));
void address_close(struct address *address);

#endif
