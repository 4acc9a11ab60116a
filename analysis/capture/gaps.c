#include "analysis/capture/gaps.h"

#include <string.h>

static int64_t end_of(const struct capture_gap *gap)
{
    return gap->first_frame + gap->frames;
}

/* The two gaps from `i` on become one. */
static void join(struct gaps *gaps, int i)
{
    struct capture_gap *gap = &gaps->at[i];
    int64_t end = end_of(&gap[1]) > end_of(gap) ? end_of(&gap[1]) : end_of(gap);
    gap->frames = end - gap->first_frame;
    gaps->count--;
    memmove(&gap[1], &gap[2], sizeof *gap * (size_t)(gaps->count - i - 1));
}

void gaps_add(struct gaps *gaps, int64_t first_frame, int64_t frames)
{
    int i = gaps->count;
    while (i > 0 && gaps->at[i - 1].first_frame > first_frame)
        i--;
    if (i > 0 && end_of(&gaps->at[i - 1]) >= first_frame + frames)
        return;
    memmove(&gaps->at[i + 1], &gaps->at[i],
            sizeof gaps->at[0] * (size_t)(gaps->count - i));
    gaps->at[i] = (struct capture_gap){first_frame, frames};
    gaps->count++;
    if (i > 0 && end_of(&gaps->at[i - 1]) >= first_frame)
        join(gaps, --i);
    while (i + 1 < gaps->count && end_of(&gaps->at[i]) >= gaps->at[i + 1].first_frame)
        join(gaps, i);
    if (gaps->count > GAPS_MOST)
        join(gaps, GAPS_MOST - 1);
}
