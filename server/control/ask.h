/** The command's side of STATE/control. */
#ifndef SERVER_CONTROL_ASK_H
#define SERVER_CONTROL_ASK_H

/** Has the daemon that runs on the state folder back it up to the folder `to`, which does
 * not exist yet or is empty. Tells on standard error how far it is and what went wrong,
 * on standard output that it is complete. Returns the exit status: 0 or 1. */
int ask_backup(const char *state_folder, const char *to);

#endif
