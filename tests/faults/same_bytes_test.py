"""The same capture, settings and build give the same result bytes: 20 runs over 4 workers,
half of them after a restart."""

import json
import pathlib
import shutil
import struct
import sys
import tempfile

from ledger import harness, need

import waves  # beside the harness

RUNS = 20
SETTINGS = ({}, {"harmonics": 5})


def answers(daemon, analysis):
    """What the interface tells of it, without its own id."""
    result = daemon.get(f"/v1/analyses/{analysis}/result")
    need(result.status == 200, result)
    content = result.json
    for name in ("analysis", "links"):
        del content[name]
    curve = daemon.get(f"/v1/analyses/{analysis}/result/series/spectrum?channel=2&points=20000")
    need(curve.status == 200, curve)
    return json.dumps(content), curve.body


def main():
    print(f"programs under test: {harness.BIN}", file=sys.stderr)
    state = pathlib.Path(tempfile.mkdtemp(prefix="residuum-same-"))
    body = waves.wav(waves.tone(duration_s=6, channels=2, noise_dbfs=-100,
                                harmonics=((2, -80), (3, -90))), rate_hz=48000)
    seen = {number: set() for number in range(len(SETTINGS))}
    for part in range(2):
        daemon = harness.Daemon("--workers", "4", state=state)
        capture = daemon.upload(body).json["id"]
        ordered = [(number, daemon.analyse(capture, settings)) for number, settings in
                   enumerate(SETTINGS) for _ in range(RUNS // 2)]
        for number, analysis in ordered:
            need(daemon.wait_for_end(analysis)["state"] == "done", analysis)
            stored = (state / "results" / analysis).read_bytes()
            # The whole file, and what is made of it (the capture's id aside).
            told, curve = answers(daemon, analysis)
            seen[number].add((stored, told.replace(capture, "cap"), curve))
        daemon.stop()
    for number, results in seen.items():
        need(len(results) == 1, f"{len(results)} different results of {SETTINGS[number]}")
        stored = next(iter(results))[0]
        _, body_bytes, index_bytes, series_bytes = struct.unpack_from("<8sIIQ", stored)
        need(series_bytes > 0 and len(stored) == 32 + body_bytes + index_bytes + series_bytes,
             "not a whole result")
    need(seen[0] != seen[1], "settings make no difference")
    shutil.rmtree(state)
    print(f"{RUNS} runs of {len(SETTINGS)} settings over 4 workers and a restart: the same bytes")
    return 0


if __name__ == "__main__":
    sys.exit(main())
