#!/usr/bin/python3
"""An upload of 1 GiB, hashed and durable, against a copy by dd and against a general web server
that takes the same bytes by PUT (neither hashed nor durable) and a bare SHA-256 of them."""

import os
import pathlib
import re
import subprocess
import sys

import pairs
import recordings
from web_server import WebServer

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "api"))
from harness import Daemon  # noqa: E402

GIB = 1 << 30


def curl_s(*words):
    """Seconds that curl counts from the connection to the answer's end."""
    said = subprocess.run(["curl", "-sS", "-f", "-H", "Expect:", "-w", "\n%{time_total}", *words],
                          capture_output=True, text=True, check=True).stdout
    body, _, seconds = said.rpartition("\n")
    return float(seconds), body


class Uploads:
    def __init__(self, daemon, recording):
        self.daemon, self.recording = daemon, recording

    def seconds(self):
        os.sync()
        seconds, body = curl_s("-X", "POST", "-T", self.recording,
                               self.daemon.url + "/v1/captures")
        capture = re.search(r'"id":"(cap_\w+)"', body).group(1)
        assert self.daemon.ask("DELETE", f"/v1/captures/{capture}").status == 204
        return seconds

    def peak_mib(self):
        status = pathlib.Path(f"/proc/{self.daemon.process.pid}/status").read_text("utf-8")
        return int(re.search(r"VmHWM:\s+(\d+) kB", status).group(1)) / 1024


def copy_s(recording, copy):
    os.sync()
    seconds = pairs.timed(subprocess.run,
                          ["dd", f"if={recording}", f"of={copy}", "bs=1M", "conv=fdatasync",
                           "status=none"])
    os.remove(copy)
    return seconds


class Hash:
    def __init__(self):
        program = os.path.join(os.environ["BENCH_PROGRAMS"], "bench_hash")
        self.process = subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                        text=True)

    def seconds(self, path):
        self.process.stdin.write(path + "\n")
        self.process.stdin.flush()
        return float(self.process.stdout.readline())

    def stop(self):
        self.process.stdin.close()
        self.process.wait()


def put_s(server, recording):
    os.sync()
    seconds, _ = curl_s("-T", recording, server.url + "/put.wav")
    (server.served / "put.wav").unlink()
    return seconds


def main():
    data = os.environ["BENCH_DATA"]
    small, large = os.path.join(data, "small-upload.wav"), os.path.join(data, "upload.wav")
    recordings.write(small, 58 * recordings.RATE_HZ)
    size = recordings.write(large, 932 * recordings.RATE_HZ)
    daemon = Daemon("--workers", "1", state=os.path.join(data, "upload-state"))
    server, hashing = WebServer(os.path.join(data, "web-upload")), Hash()
    uploads = Uploads(daemon, small)
    for _ in range(2 * pairs.PAIRS):  # as many as there will be large ones
        uploads.seconds()
    small_mib = uploads.peak_mib()
    uploads = Uploads(daemon, large)

    found = pairs.compare(uploads.seconds, lambda: copy_s(large, os.path.join(data, "copy.wav")))
    pairs.row("upload of 1 GiB, hashed and durable", f"{size / GIB / found.ours:.2f} GiB/s",
              f"dd conv=fdatasync {size / GIB / found.reference:.2f} GiB/s", 1 / found.ratio,
              at_least=0.55)
    found = pairs.compare(uploads.seconds,
                          lambda: put_s(server, large) + hashing.seconds(large))
    pairs.row("the same, time", pairs.milliseconds(found.ours),
              f"nginx PUT + SHA-256 {pairs.milliseconds(found.reference)}", found.ratio,
              at_most=1.1)
    pairs.row("peak memory of the daemon, 1 GiB", f"{uploads.peak_mib():.1f} MiB",
              f"64 MiB: {small_mib:.1f} MiB", uploads.peak_mib() / small_mib, at_most=1.1)
    hashing.stop()
    server.stop()
    daemon.stop()


if __name__ == "__main__":
    main()
