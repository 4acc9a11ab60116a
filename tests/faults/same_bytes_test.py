"""The same capture, settings, signal and build give the same result bytes, for every
measurement: 10 runs over 4 workers, half of them after a restart."""

import json
import pathlib
import shutil
import struct
import sys
import tempfile

from ledger import harness, need

import waves  # beside the harness

RUNS = 10
# what is measured of the recording: measurement, settings, what is said to have been played
ORDERS = (
    ("distortion", {}, None), ("distortion", {"harmonics": 5}, None), ("noise", {}, None),
    ("intermodulation", {"kind": "pair", "frequency_1_hz": 997, "frequency_2_hz": 11000}, None),
    ("multitone", {}, None), ("jitter", {}, "tone"),
)


def answers(daemon, analysis):
    """What the interface tells of it, without its own id, and its first curve."""
    result = daemon.get(f"/v1/analyses/{analysis}/result")
    need(result.status == 200, result)
    content = result.json
    for name in ("analysis", "links"):
        del content[name]
    name = next(iter(content["channels"][1]["series"]))
    curve = daemon.get(f"/v1/analyses/{analysis}/result/series/{name}?channel=2&points=20000")
    need(curve.status == 200, curve)
    return json.dumps(content), curve.body


def order(daemon, capture, measurement, settings, signal):
    asked = {"capture": capture, "measurement": measurement, "settings": settings,
             "signal": signal and {"name": signal}}
    answer = daemon.post_json("/v1/analyses", asked)
    need(answer.status == 202, answer)
    return answer.json["id"]


def main():
    print(f"programs under test: {harness.BIN}", file=sys.stderr)
    state = pathlib.Path(tempfile.mkdtemp(prefix="residuum-same-"))
    body = waves.wav(waves.tones(((997, -8), (11000, -8), (2994, -90), (1994, -80)), 6,
                                 channels=2, noise_dbfs=-100))
    seen = {order: set() for order in range(len(ORDERS))}
    for part in range(2):
        daemon = harness.Daemon("--workers", "4", state=state)
        capture = daemon.upload(body).json["id"]
        ordered = [(number, order(daemon, capture, *asked))
                   for number, asked in enumerate(ORDERS) for _ in range(RUNS // 2)]
        for number, analysis in ordered:
            ended = daemon.wait_for_end(analysis)
            need(ended["state"] == "done", ended)
            stored = (state / "results" / analysis).read_bytes()
            # The whole file, and what is made of it (the capture's id aside).
            told, curve = answers(daemon, analysis)
            seen[number].add((stored, told.replace(capture, "cap"), curve))
        daemon.stop()
    for number, results in seen.items():
        need(len(results) == 1, f"{len(results)} different results of {ORDERS[number]}")
        stored = next(iter(results))[0]
        _, body_bytes, index_bytes, series_bytes = struct.unpack_from("<8sIIQ", stored)
        need(series_bytes > 0 and len(stored) == 32 + body_bytes + index_bytes + series_bytes,
             "not a whole result")
    need(seen[0] != seen[1], "settings make no difference")
    shutil.rmtree(state)
    print(f"{RUNS} runs of {len(ORDERS)} orders over 4 workers and a restart: the same bytes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
