/**
 * A mutator that also reaches what lies behind the check sums of FLAC: no change of a
 * frame gets past the decoder unless its sums are put right.
 */
#ifndef TESTS_FUZZ_SUPPORT_FLAC_SUMS_H
#define TESTS_FUZZ_SUPPORT_FLAC_SUMS_H

#include <stddef.h>
#include <stdint.h>

/** As LLVMFuzzerCustomMutator: changes data in place, half of the FLAC files with right
 * sums. */
size_t flac_sums_mutate(uint8_t *data, size_t size, size_t max_size, unsigned seed);

/** What a target with this mutator defines. */
size_t LLVMFuzzerCustomMutator(uint8_t *data, size_t size, size_t max_size,
                               unsigned seed);
/** Of libFuzzer: one of its own changes. */
size_t LLVMFuzzerMutate(uint8_t *data, size_t size, size_t max_size);

#endif
