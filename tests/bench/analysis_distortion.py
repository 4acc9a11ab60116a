#!/usr/bin/python3
"""`distortion` against the least that its method needs, and against SciPy."""

import os
import subprocess
import sys

import pairs
import recordings
from other_program import OtherProgram
from warm_worker import WarmWorker

SCRIPT = os.path.join(os.path.dirname(os.path.abspath(__file__)), "scipy_script.py")
PYTHON = "/usr/bin/python3"
LARGE_FRAMES = 932 * recordings.RATE_HZ  # 1 GiB, and a length that SciPy transforms fast


def run(command):
    subprocess.run(command, stdout=subprocess.DEVNULL, check=True)


def against_the_limit(path, worker):
    limit = OtherProgram([os.path.join(os.environ["BENCH_PROGRAMS"], "bench_limit"), path, "2"])
    found = pairs.compare(lambda: worker.measure_s(path), limit.seconds, 15)
    limit.stop()
    pairs.row("distortion, 30 s stereo 24/192, warm worker",
              pairs.milliseconds(found.ours),
              f"libsndfile decode + FFTs {pairs.milliseconds(found.reference)}", found.ratio,
              at_most=1.5)


def against_scipy(path, worker, what, goal, count):
    scipy = OtherProgram([PYTHON, SCRIPT, "distortion"])
    found = pairs.compare(lambda: scipy.seconds(path), lambda: worker.measure_s(path), count)
    scipy.stop()
    pairs.row(what, pairs.milliseconds(found.reference),
              f"SciPy script {pairs.milliseconds(found.ours)}", found.ratio, at_least=goal)


def whole_processes(path):
    program = os.path.join(os.environ["RESIDUUM_BIN"], "residuum-worker")
    found = pairs.compare(
        lambda: pairs.timed(run, [PYTHON, SCRIPT, "distortion", path]),
        lambda: pairs.timed(run, [program, "--file", path, "--measure", "distortion"]))
    pairs.row("distortion of the same, whole processes", pairs.milliseconds(found.reference),
              f"SciPy script {pairs.milliseconds(found.ours)}", found.ratio, at_least=6)


def main():
    small = os.path.join(os.environ["BENCH_DATA"], "small.wav")
    large = os.path.join(os.environ["BENCH_DATA"], "large.wav")
    recordings.write(small, 30 * recordings.RATE_HZ)
    worker = WarmWorker()
    against_the_limit(small, worker)
    against_scipy(small, worker, "distortion of the same, both warm", 4.5, pairs.PAIRS)
    whole_processes(small)
    small_mib = worker.peak_mib()
    if "--small" not in sys.argv:
        recordings.write(large, LARGE_FRAMES)
        against_scipy(large, worker, "distortion, 1 GiB stereo 24/192, both warm", 12,
                      pairs.PAIRS)
        pairs.row("peak memory of the worker, 1 GiB", f"{worker.peak_mib():.1f} MiB", "32 MiB",
                  worker.peak_mib() / 32, at_most=1)
        pairs.row("the same, against that of 30 s", f"{worker.peak_mib():.1f} MiB",
                  f"{small_mib:.1f} MiB", worker.peak_mib() / small_mib, at_most=1.1)
        os.remove(large)
    worker.stop()


if __name__ == "__main__":
    main()
