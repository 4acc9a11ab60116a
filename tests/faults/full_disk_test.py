"""A small disk that gets full: refused with 507 and the numbers, nothing acknowledged lost,
analyses wait, the daemon starts on it, deletions make room again.

The disk is one of faults.c: 80 MiB for the state folder, filled by a file in it. `--real DIR`
takes a file system of that size instead, which is mounted at DIR: then a worker meets its end
itself, which is confined too far to be shown a small one.
"""

import argparse
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import time

import ledger
from ledger import Ledger, harness, need

import waves  # beside the harness

MIB = 1 << 20
DISK = 80 * MIB
BALLAST = 16 * MIB
TONE = waves.wav(waves.tone(duration_s=1.5, noise_dbfs=-100))
LARGE = waves.wav(waves.tone(duration_s=14, channels=4, noise_dbfs=-100, seed=2))  # 8 MB


def wait_for(condition, what):
    end = time.monotonic() + harness.PATIENCE_S
    while not condition():
        need(time.monotonic() < end, what)
        time.sleep(0.1)


class Disk:
    """The state folder on a small disk, and the file that fills it."""

    def __init__(self, real):
        self.folder = pathlib.Path(real or tempfile.mkdtemp(prefix="residuum-disk-"))
        self.real = real
        self.state = self.folder / "state"
        self.state.mkdir(mode=0o700)
        self.filler = self.state / "filler"
        self.environment = None if real else ledger.preload(self.state, disk=DISK)

    def start(self):
        return harness.Daemon("--workers", "1", state=self.state,
                              environment=self.environment)

    def free(self):
        if self.real:
            facts = os.statvfs(self.folder)
            return facts.f_bavail * facts.f_frsize
        used = sum(path.stat().st_blocks * 512 for path in self.state.rglob("*")
                   if path.is_file())
        return max(DISK - used, 0)

    def fill(self, leave=0):
        """Leaves so many bytes free, and not more than a few blocks beside."""
        size = self.filler.stat().st_size if self.filler.exists() else 0
        with open(self.filler, "ab") as file:
            size += self.free() - leave
            while size > 0:
                try:
                    os.posix_fallocate(file.fileno(), 0, size)
                    return
                except OSError:
                    size -= 65536

    def has_ballast(self):
        path = self.state / "ballast"
        return path.exists() and path.stat().st_blocks * 512 >= BALLAST


def check_full(answer):
    need(answer.status == 507 and answer.json["code"] == "disk_full", "answer:", answer)
    need("free some space" in answer.json["detail"], answer)
    return answer.json["detail"]


def check_floor(disk, daemon, book):
    """What would leave less than the floor of 16 MiB is refused, with the numbers."""
    disk.fill(leave=20 * MIB)
    detail = check_full(book.upload(daemon, LARGE))
    need(re.search(rf"\b{len(LARGE)} bytes: \d+ bytes are free.*\b{16 * MIB}\b", detail), detail)
    need(book.upload(daemon, TONE).status == 201, "a small one fits")
    check_full(daemon.get("/v1/signals/tone/audio?duration_s=30"))


def check_running_full(disk, daemon, book, capture):
    """The disk is filled to the last byte under a running daemon."""
    disk.fill()
    check_full(book.upload(daemon, TONE))
    answer = book.analyse(daemon, capture)  # the ballast makes room for its row
    need(answer.status == 202, answer)
    need(not disk.has_ballast(), "the ballast is still there")
    disk.fill()
    time.sleep(1.5)  # an attempt or two
    state = daemon.get(f"/v1/analyses/{answer.json['id']}").json
    need(state["state"] in ("queued", "running"), "it did not wait:", state)
    need(set(book.attempts().values()) == {0}, "a full disk counted as a death")
    need(daemon.get("/v1/health").json["alive"], "not alive")


def check_start_full(disk, book, capture):
    """A start with the ballast there, on a disk without one free byte."""
    daemon = disk.start()
    book.check_start(daemon)
    need(not disk.has_ballast(), "the ballast is still there")
    check_full(book.upload(daemon, TONE))
    answer = daemon.ask("DELETE", f"/v1/captures/{capture}")
    need(answer.status == 204, answer)
    del book.captures[capture]
    book.removed.add(capture)
    return daemon


def check_without_ballast(disk):
    """Nothing is left to give up: the start is refused with a sentence, or succeeds."""
    (disk.state / "ballast").unlink(missing_ok=True)
    disk.fill()
    done = subprocess.run([str(harness.BIN / "residuumd"), "--listen", "127.0.0.1:0", "--state",
                           str(disk.state), "--worker", "/bin/false"], capture_output=True,
                          text=True, timeout=harness.PATIENCE_S, check=False,
                          env={**os.environ, **(disk.environment or {})})
    need(done.returncode == 1 and done.stderr.startswith("residuumd: ")
         or "worker" in done.stderr, done)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--real", metavar="DIR")
    disk = Disk(parser.parse_args().real)
    print(f"programs under test: {harness.BIN}", file=sys.stderr)
    book = Ledger(disk.state)
    daemon = disk.start()
    need(disk.has_ballast(), "no ballast")
    large = book.upload(daemon, LARGE).json["id"]
    small = book.upload(daemon, TONE).json["id"]
    check_floor(disk, daemon, book)
    check_running_full(disk, daemon, book, small)
    daemon.kill()

    disk.filler.unlink()
    daemon = disk.start()  # makes the ballast again
    wait_for(disk.has_ballast, "no ballast although there is room")
    need(book.check_results(daemon) == [], "a worker crashed")
    need(book.analyse(daemon, small).status == 202, "no analysis")
    daemon.kill()
    disk.fill()
    daemon = check_start_full(disk, book, large)
    need(book.analyse(daemon, small).status == 202, "no analysis")
    disk.filler.unlink()
    need(book.check_results(daemon) == [], "a worker crashed")
    wait_for(disk.has_ballast, "the ballast is not made again")
    need(book.upload(daemon, LARGE).status == 201, "no upload afterwards")
    daemon.stop()
    check_without_ballast(disk)
    if not disk.real:
        shutil.rmtree(disk.folder)
    print("a full disk: refused with the numbers, waited for, started on, emptied; nothing lost")
    return 0


if __name__ == "__main__":
    sys.exit(main())
