"""Recordings for the reference tests, and the daemon's figures of them."""
import pathlib
import sys

import numpy as np
import scipy.io.wavfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "api"))
import harness  # noqa: E402


def samples(path):
    """Rate and samples [frames, channels] with full scale ±1.0, read by SciPy."""
    rate, x = scipy.io.wavfile.read(path)
    scale = {np.int16: 2.0**15, np.int32: 2.0**31}.get(x.dtype.type, 1.0)
    x = x.astype(float) / scale
    return rate, x.reshape(len(x), -1)


def write(path, rate, x):
    """A 32-bit float WAV file by SciPy."""
    scipy.io.wavfile.write(path, rate, np.asarray(x, dtype=np.float32))


def render(daemon, path, signal="tone", **parameters):
    query = "&".join(f"{name}={value}" for name, value in parameters.items())
    answer = daemon.get(f"/v1/signals/{signal}/audio?{query}")
    assert answer.status == 200, answer
    pathlib.Path(path).write_bytes(answer.body)


def measure(daemon, path, measurement="distortion", signal=None, **settings):
    """The result of a measurement on a file, and the analysis's id; `signal`: what was
    played, as the interface takes it."""
    answer = daemon.upload(pathlib.Path(path).read_bytes())
    assert answer.status == 201, answer
    analysis = daemon.analyse(answer.json["id"], settings, measurement, signal)
    for _ in range(20):
        state = daemon.get(f"/v1/analyses/{analysis}", Prefer="wait=30").json
        if state["state"] not in ("queued", "running"):
            break
    assert state["state"] == "done", state
    return daemon.get(f"/v1/analyses/{analysis}/result").json, analysis


def span(channel, rate):
    """First and last frame of a channel's span."""
    return (round(channel["span"]["start_s"] * rate), round(channel["span"]["end_s"] * rate))


def bin_hz(channel, rate):
    return rate / (2 * (channel["series"]["spectrum"]["points"] - 1))
