#!/usr/bin/python3
"""Polls of a finished analysis against a static file of the same size, 64 connections each; and
how long polls take while two recordings of 1 GiB come in."""

import os
import pathlib
import re
import subprocess
import sys
import threading

import pairs
import recordings
from web_server import WebServer

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "api"))
from harness import Daemon  # noqa: E402

CONNECTIONS = 64
SECONDS = 3


def wrk(url, seconds=SECONDS):
    said = subprocess.run(["wrk", "-t2", f"-c{CONNECTIONS}", f"-d{seconds}s", "--latency", url],
                          capture_output=True, text=True, check=True).stdout
    if "Non-2xx" in said or "Socket errors" in said:
        sys.exit(f"polls failed:\n{said}")
    return said


def rate(url):
    return float(re.search(r"Requests/sec:\s+([\d.]+)", wrk(url)).group(1))


def p99_ms(said):
    number, unit = re.search(r"99%\s+([\d.]+)(us|ms|s)", said).groups()
    return float(number) * {"us": 1e-3, "ms": 1, "s": 1e3}[unit]


def finished_analysis(daemon):
    recording = os.path.join(os.environ["BENCH_DATA"], "poll.wav")
    recordings.write(recording, 2 * recordings.RATE_HZ)
    capture = daemon.upload(pathlib.Path(recording).read_bytes()).json
    analysis = daemon.analyse(capture["id"])
    assert daemon.wait_for_end(analysis)["state"] == "done"
    return f"/v1/analyses/{analysis}"


def against_static_file(daemon, path):
    server = WebServer(os.path.join(os.environ["BENCH_DATA"], "web-polls"))
    answer = daemon.get(path)
    (server.served / "poll").write_bytes(answer.body)
    found = pairs.compare(lambda: rate(daemon.url + path), lambda: rate(server.url + "/poll"))
    server.stop()
    pairs.row("polls of a finished analysis, 64 connections", f"{found.ours:.0f} /s",
              f"nginx, static file {found.reference:.0f} /s", found.ratio, at_least=1)


def upload(daemon, recording, done):
    try:
        subprocess.run(["curl", "-sS", "-f", "-o", "/dev/null", "-X", "POST", "-T", recording,
                        daemon.url + "/v1/captures"], check=True)
    finally:
        done.release()


def during_uploads(daemon, path):
    """The median run's 99th percentile, of runs that lie within two uploads."""
    recording = os.path.join(os.environ["BENCH_DATA"], "large.wav")
    recordings.write(recording, 932 * recordings.RATE_HZ)
    alone = p99_ms(wrk(daemon.url + path))
    found = []
    for _ in range(3):
        os.sync()
        done = threading.Semaphore(0)
        threads = [threading.Thread(target=upload, args=(daemon, recording, done))
                   for _ in range(2)]
        for thread in threads:
            thread.start()
        found.append(p99_ms(wrk(daemon.url + path, 2)))
        for thread in threads:
            thread.join()
    os.remove(recording)
    busy = sorted(found)[1]
    pairs.row("99th percentile of polls during two uploads of 1 GiB", f"{busy:.1f} ms",
              f"without {alone:.1f} ms", busy / alone)


def main():
    state = os.path.join(os.environ["BENCH_DATA"], "polls-state")
    daemon = Daemon("--workers", "1", state=state)
    path = finished_analysis(daemon)
    against_static_file(daemon, path)
    during_uploads(daemon, path)
    daemon.stop()


if __name__ == "__main__":
    main()
