/**
 * What every fuzz target exports, and a file in memory. A target is one source file:
 * LLVMFuzzerTestOneInput is called with one hostile input after another; what it needs
 * once is made at the first. What must hold is asserted.
 */
#ifndef TESTS_FUZZ_FUZZ_H
#define TESTS_FUZZ_FUZZ_H

#include <stddef.h>
#include <stdint.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/** A file of these bytes in memory; the same descriptor each time, or −1 at first. */
int fuzz_file(int descriptor, const uint8_t *data, size_t size);

/** A zero-terminated copy, so that the address sanitizer sees a read beyond its end; the
 * caller frees it. */
char *fuzz_text(const uint8_t *data, size_t size);

#endif
