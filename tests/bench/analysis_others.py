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
# What is in the recording; an idle channel is one of faint noise, of which nothing is told.
SIGNALS = {
    "noise": {"name": "tone", "parameters": {"level_dbfs": -60}},
    "noise, idle": {"name": "white-noise", "parameters": {"level_dbfs": -90}},
    "intermodulation": {"name": "twin-tone", "parameters": {"kind": "difference-frequency"}},
    "multitone": {"name": "multitone", "parameters": {}},
    "jitter": {"name": "jitter-pattern", "parameters": {}},
}


def render(path, signal):
    worker = os.path.join(os.environ["RESIDUUM_BIN"], "residuum-worker")
    parameters = {**signal["parameters"], "sample_rate_hz": recordings.RATE_HZ, "bits": 24,
                  "channels": 2, "duration_s": SECONDS}
    subprocess.run([worker, "--render", signal["name"], "--output", path, "--settings",
                    json.dumps(parameters)], check=True)
    return {"name": signal["name"], "parameters": parameters}


def main():
    path = os.path.join(os.environ["BENCH_DATA"], "signal.wav")
    limit_program = os.path.join(os.environ["BENCH_PROGRAMS"], "bench_limit")
    worker = WarmWorker()
    for what, signal in SIGNALS.items():
        measurement = what.split(",")[0]
        rendered = render(path, signal)
        played = None if measurement != what else rendered
        limit = OtherProgram([limit_program, path, "2"])
        found = pairs.compare(lambda: worker.measure_s(path, measurement, played),
                              limit.seconds, 15)
        limit.stop()
        pairs.row(f"{what}, 30 s stereo 24/192, warm worker",
                  pairs.milliseconds(found.ours),
                  f"libsndfile decode + FFTs {pairs.milliseconds(found.reference)}",
                  found.ratio, at_most=1.5)
        scipy = OtherProgram(["/usr/bin/python3", SCRIPT, measurement])
        found = pairs.compare(lambda: scipy.seconds(path),
                              lambda: worker.measure_s(path, measurement, played))
        scipy.stop()
        pairs.row(f"{what} of the same, both warm", pairs.milliseconds(found.reference),
                  f"SciPy script {pairs.milliseconds(found.ours)}", found.ratio, at_least=4.5)
    os.remove(path)
    worker.stop()


if __name__ == "__main__":
    main()
