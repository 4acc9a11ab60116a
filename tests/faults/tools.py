"""Ways to make a call of the daemon fail: faults.c, preloaded, or strace."""

import collections
import os
import pathlib
import re
import shutil
import signal
import subprocess
import time

import ledger
from ledger import harness, need


class Preload:
    """Counts the calls upon files of the state folder, over all threads of the daemon."""

    # Call → the step between the places of a short run.
    CALLS = {"write": 11, "fsync": 3, "fdatasync": 3, "rename": 1}
    ERROR_CALLS = CALLS
    KILLS_WORKERS = False

    def __init__(self, folder, state, call, action, at):
        self.fired_file, self.well_file = folder / "fired", folder / "well"
        self.options = {"environment": ledger.preload(state, call=call, action=action, at=at,
                                                      fired=self.fired_file,
                                                      until=self.well_file)}

    def has_fired(self):
        return self.fired_file.exists()

    def make_well(self, _daemon):
        self.well_file.touch()


class Strace:
    """Counts every such call of each thread by itself, those of the workers, too."""

    CALLS = {"write,pwrite64,writev": 7, "fsync": 1, "fdatasync": 1,
             "?rename,renameat,?renameat2": 1}
    # Not write, which wakes threads, too, where no disk could fail.
    ERROR_CALLS = {"pwrite64": 7, "fsync": 1, "fdatasync": 1, "?rename,renameat,?renameat2": 1}
    KILLS_WORKERS = True

    def __init__(self, folder, _state, call, action, at):
        need(shutil.which("strace"), "strace is missing: apt-get install strace")
        self.trace = folder / "trace"
        self.first = int(at.rstrip("+"))
        fault = "signal=KILL" if action == "KILL" else f"error={action}"
        self.options = {"before": (
            "strace", "-D", "-f", "-qq", "-o", self.trace, "-e",
            f"trace={call}", "-e", f"inject={call}:{fault}:when={at}")}

    def has_fired(self):
        counts = collections.Counter(
            re.findall(r"^(\d+) +(\w+)\(", self.trace.read_text(errors="replace"), re.M))
        return any(count >= self.first for count in counts.values())

    def make_well(self, daemon):
        """Ends the tracing; the daemon goes on."""
        def tracer():
            status = pathlib.Path(f"/proc/{daemon.process.pid}/status").read_text()
            return int(re.search(r"^TracerPid:\s*(\d+)", status, re.M).group(1))

        pid = tracer()
        if pid:
            os.kill(pid, signal.SIGKILL)  # nothing less ends it
        end = time.monotonic() + harness.PATIENCE_S
        while tracer():
            need(time.monotonic() < end, "strace does not end")
            time.sleep(0.01)


def check_strace():
    """Says so where tracing is forbidden."""
    done = subprocess.run(["strace", "-qq", "-o", "/dev/null", "true"],
                                  capture_output=True, text=True, check=False)
    need(done.returncode == 0, "strace cannot trace here; allow ptrace in this container "
         "(docker run --cap-add SYS_PTRACE):", done.stderr)
