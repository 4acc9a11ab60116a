#include "analysis/capture/excerpt.h"

bool excerpt_read(struct capture *capture, const struct excerpt *excerpt, double *ret,
                  int *ret_frames, struct problem *problem)
{
    int64_t known = capture_format(capture)->frames, left = excerpt->frames;
    int done = 0, got = 1;
    if (known >= 0 && left > known - excerpt->first_frame)
        left = known - excerpt->first_frame;
    if (left > 0 && !capture_seek(capture, excerpt->first_frame, problem))
        return false;
    for (; left > 0 && got > 0; left -= got, done += got) {
        int want = left < CAPTURE_BLOCK_FRAMES ? (int)left : CAPTURE_BLOCK_FRAMES;
        if (!capture_fetch(capture, want, &got, problem))
            return false;
        capture_channel(capture, excerpt->channel, 0, got, ret + done);
    }
    *ret_frames = done;
    return true;
}
