#!/usr/bin/python3
"""noise, intermodulation, multitone and jitter, each on 30 s of its own signal: against what
decoding and the transforms cost at least, and against SciPy."""

import json
import os
import subprocess

import pairs
import recordings
from other_program import OtherProgram
from warm_worker import WarmWorker

FOLDER = os.path.dirname(os.path.abspath(__file__))
SCRIPT = os.path.join(FOLDER, "scipy_script.py")
SECONDS = 30
# What is in the recording (an idle channel is one of faint noise), what is told of it where
# that is something else, and what the limit consists of: the length of its transforms, and the
# rate of a recursion (the quasi-peak detector of `noise` looks at one sample after the other).
CASES = {
    "noise": ({"name": "tone", "parameters": {"level_dbfs": -60}}, None, [1 << 18]),
    "noise, idle": ({"name": "white-noise", "parameters": {"level_dbfs": -90}},
                    {"name": "silence", "parameters": {}}, [1 << 18, 96000]),
    "intermodulation": ({"name": "twin-tone", "parameters": {"kind": "difference-frequency"}},
                        None, [1 << 18]),
    "multitone": ({"name": "multitone", "parameters": {}}, None, [1 << 19]),
    "jitter": ({"name": "jitter-pattern", "parameters": {}}, None, [1 << 18]),
}


def render(path, signal):
    worker = os.path.join(os.environ["RESIDUUM_BIN"], "residuum-worker")
    parameters = {**signal["parameters"], "sample_rate_hz": recordings.RATE_HZ, "bits": 24,
                  "channels": 2, "duration_s": SECONDS}
    subprocess.run([worker, "--render", signal["name"], "--output", path, "--settings",
                    json.dumps(parameters)], check=True)
    return {"name": signal["name"], "parameters": parameters}


def against_the_limit(what, path, limits, ours):
    program = os.path.join(os.environ["BENCH_PROGRAMS"], "bench_limit")
    limit = OtherProgram([program, path, "2", *map(str, limits)])
    found = pairs.compare(ours, limit.seconds, 15)
    limit.stop()
    consists = "decode + FFTs" + (" + recursion" if len(limits) > 1 else "")
    pairs.row(f"{what}, 30 s stereo 24/192, warm worker", pairs.milliseconds(found.ours),
              f"libsndfile {consists} {pairs.milliseconds(found.reference)}", found.ratio,
              at_most=1.5)


def against_scipy(what, path, ours):
    """Without a goal where SciPy leaves the quasi-peak detector out."""
    scipy = OtherProgram(["/usr/bin/python3", SCRIPT, what.split(",")[0]])
    found = pairs.compare(lambda: scipy.seconds(path), ours)
    scipy.stop()
    goal = None if "idle" in what else 4.5
    pairs.row(f"{what} of the same, both warm", pairs.milliseconds(found.reference),
              f"SciPy script {pairs.milliseconds(found.ours)}", found.ratio, at_least=goal)


def main():
    path = os.path.join(os.environ["BENCH_DATA"], "signal.wav")
    worker = WarmWorker()
    for what, (signal, told, limits) in CASES.items():
        rendered = render(path, signal)

        def ours():
            return worker.measure_s(path, what.split(",")[0], told or rendered)

        against_the_limit(what, path, limits, ours)
        against_scipy(what, path, ours)
    os.remove(path)
    worker.stop()


if __name__ == "__main__":
    main()
