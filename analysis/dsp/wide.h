/**
 * How loops for vectors are written and which of their two builds runs: the inside of
 * kernels.c, predict.c and scan.c.
 *
 * A kernel is a function NAME_body; WIDE_KERNEL compiles it for the baseline and for
 * AVX2. Both give the same bits: sums are taken in WIDE_LANES lanes, added up in one
 * order.
 */
#ifndef ANALYSIS_DSP_WIDE_H
#define ANALYSIS_DSP_WIDE_H

#include <stdint.h>

/* Four doubles anywhere in memory. Never passed between functions, since the way they are
 * passed depends on the instruction set. */
typedef double quad __attribute__((vector_size(32), aligned(8), may_alias));
typedef int64_t quad_mask __attribute__((vector_size(32), aligned(8), may_alias));

enum { WIDE_LANES = 8 };

#define BODY static inline __attribute__((always_inline))

/* Defines exported from name_body for both widths. */
#if defined(__x86_64__)
#define WIDE_KERNEL(type, exported, name, parameters, arguments)                         \
    __attribute__((target("avx2"))) static type name##_wide parameters                   \
    {                                                                                    \
        return name##_body arguments;                                                    \
    }                                                                                    \
    static type name##_narrow parameters                                                 \
    {                                                                                    \
        return name##_body arguments;                                                    \
    }                                                                                    \
    type exported parameters                                                             \
    {                                                                                    \
        if (__builtin_cpu_supports("avx2"))                                              \
            return name##_wide arguments;                                                \
        return name##_narrow arguments;                                                  \
    }
#else
#define WIDE_KERNEL(type, exported, name, parameters, arguments)                         \
    type exported parameters                                                             \
    {                                                                                    \
        return name##_body arguments;                                                    \
    }
#endif

/* Lane by lane a where mask is set, else b. */
#define CHOOSE(mask, a, b)                                                               \
    ((quad)(((quad_mask)(a) & (mask)) | ((quad_mask)(b) & ~(mask))))

/* Lanes are added up in one order, whatever the width. */
BODY double wide_total(const quad *low, const quad *high)
{
    quad both = *low + *high;
    return (both[0] + both[2]) + (both[1] + both[3]);
}

#endif
