#include "server/control/address.h"

#include <fcntl.h>
#include <stdio.h>
#include <sys/socket.h>
#include <unistd.h>

bool address_open(const char *folder, const char *socket_name, struct address *ret)
{
    struct address address = {.name = {.sun_family = AF_UNIX}};
    address.folder = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (address.folder < 0)
        return false;
    snprintf(address.name.sun_path, sizeof address.name.sun_path, "/proc/self/fd/%d/%s",
             address.folder, socket_name);
    *ret = address;
    return true;
}

void address_close(struct address *address)
{
    if (address->folder >= 0)
        close(address->folder);
    address->folder = -1;
}
