/**
 * Fourier transforms of real blocks, in place, with a cache of plans.
 *
 * Plans are made with FFTW_ESTIMATE: reproducible to the bit. Buffers must come from
 * fft_buffer_new, since the alignment of a buffer changes the last bits of a result.
 * One thread only: a worker is single-threaded, and planning is not thread-safe.
 */
#ifndef ANALYSIS_DSP_FFT_H
#define ANALYSIS_DSP_FFT_H

#include <stdbool.h>

#include "analysis/core/problem.h"

enum { FFT_MAX_LOG2 = 26 };

struct fft_cache;

/** NULL: no memory. */
struct fft_cache *fft_cache_new(void) __attribute__((warn_unused_result));
void fft_cache_free(struct fft_cache *cache);

/** Room for a real block of `length` and its transform: length + 2 doubles. NULL: no
 * memory. */
double *fft_buffer_new(int length) __attribute__((warn_unused_result));
void fft_buffer_free(double *buffer);

/** Transforms buffer[0 … length−1] in place into length/2 + 1 complex numbers (real and
 *  imaginary part alternating), unscaled. length: a power of two, 2 … 2^26.
 * OUT_OF_MEMORY. */
bool fft_forward(struct fft_cache *cache, int length, double *buffer,
                 struct problem *problem) __attribute__((warn_unused_result));

#endif
