#!/usr/bin/python3
"""A recording's health against the least that one reading and one spectrum need."""

import os
import sys

import pairs
import recordings
from other_program import OtherProgram
from warm_worker import WarmWorker

LARGE_FRAMES = 932 * recordings.RATE_HZ  # 1 GiB


def against_the_limit(path, worker):
    limit = OtherProgram([os.path.join(os.environ["BENCH_PROGRAMS"], "bench_limit"), path, "1"])
    found = pairs.compare(lambda: worker.health_s(path), limit.seconds, 15)
    limit.stop()
    pairs.row("health, 30 s stereo 24/192, warm worker", pairs.milliseconds(found.ours),
              f"libsndfile decode + FFTs {pairs.milliseconds(found.reference)}", found.ratio,
              at_most=1.5)


def memory_of(path):
    """The peak of a worker that does nothing else."""
    worker = WarmWorker()
    worker.health_s(path)
    mib = worker.peak_mib()
    worker.stop()
    return mib


def main():
    small = os.path.join(os.environ["BENCH_DATA"], "small.wav")
    large = os.path.join(os.environ["BENCH_DATA"], "large.wav")
    recordings.write(small, 30 * recordings.RATE_HZ)
    worker = WarmWorker()
    against_the_limit(small, worker)
    worker.stop()
    if "--small" not in sys.argv:
        recordings.write(large, LARGE_FRAMES)
        small_mib, large_mib = memory_of(small), memory_of(large)
        pairs.row("peak memory of health, 1 GiB against 30 s", f"{large_mib:.1f} MiB",
                  f"{small_mib:.1f} MiB", large_mib / small_mib, at_most=1.1)
        os.remove(large)


if __name__ == "__main__":
    main()
