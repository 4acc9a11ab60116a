"""Starts the real daemon for a test, talks to it over HTTP, and stops it.

RESIDUUM_BIN names the folder of the programs under test. RESIDUUM_RECORD names a folder into
which every exchange is written, for openapi_test.py.
"""

import contextlib
import http.client
import json
import os
import pathlib
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import unittest

ROOT = pathlib.Path(__file__).resolve().parents[2]
BIN = pathlib.Path(os.environ.get("RESIDUUM_BIN", ROOT / "build/release/bin"))
EXAMPLES = ROOT / "api-examples"
# Sanitizers, and other test programs beside this one, slow everything down.
PATIENCE_S = 60

SANITIZER_REPORT = re.compile(
    r"Sanitizer|runtime error:|SUMMARY:|WARNING: ThreadSanitizer|LeakSanitizer"
)


class Answer:
    """One answer: status, headers (lower-case names) and body."""

    def __init__(self, status, headers, body):
        self.status = status
        self.headers = {name.lower(): value for name, value in headers}
        self.body = body

    @property
    def json(self):
        return json.loads(self.body, parse_constant=no_constant)

    def __repr__(self):
        return f"<{self.status} {self.headers} {self.body[:400]!r}>"


class Recorder:
    """Writes exchanges to FOLDER/PROGRAM.jsonl, one a line; nothing without RESIDUUM_RECORD."""

    def __init__(self):
        folder = os.environ.get("RESIDUUM_RECORD")
        self.lock = threading.Lock()
        self.file = None
        if folder:
            os.makedirs(folder, exist_ok=True)
            program = pathlib.Path(sys.argv[0]).stem
            self.file = open(pathlib.Path(folder, program + ".jsonl"), "w", encoding="utf-8")

    def write(self, method, target, answer):
        if self.file is None:
            return
        kind = answer.headers.get("content-type", "").split(";")[0].strip()
        is_json = answer.body and kind in ("application/json", "application/problem+json")
        line = json.dumps({
            "method": method, "path": target.split("?")[0], "status": answer.status,
            "type": kind, "length": len(answer.body),
            "body": answer.body.decode("utf-8") if is_json else None,
        })
        with self.lock:
            self.file.write(line + "\n")
            self.file.flush()


RECORDER = Recorder()


def no_constant(name):
    raise AssertionError(f"{name} is no JSON number")


class Daemon:
    """A residuumd on a free loopback port, with its own state folder; `before` are words of
    a command that runs it."""

    def __init__(self, *options, state=None, environment=None, before=()):
        self.own_state = state is None
        self.state = pathlib.Path(state or tempfile.mkdtemp(prefix="residuum-api-"))
        self.log_path = tempfile.NamedTemporaryFile(prefix="residuum-log-", delete=False).name
        command = [*before, BIN / "residuumd", "--listen", "127.0.0.1:0", "--state", self.state, *options]
        with open(self.log_path, "wb") as log:
            self.process = subprocess.Popen(
                [str(part) for part in command],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env={**os.environ, **(environment or {})},
            )
        self.port = self.wait_until_ready()
        self.url = f"http://127.0.0.1:{self.port}"

    def log(self):
        return pathlib.Path(self.log_path).read_text(encoding="utf-8", errors="replace")

    def wait_until_ready(self):
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            ready = re.search(r"^listening on http://127\.0\.0\.1:(\d+)$", self.log(), re.M)
            if ready:
                return int(ready.group(1))
            if self.process.poll() is not None:
                break
            time.sleep(0.02)
        log = self.log()
        self.process.kill()
        self.process.wait()
        raise AssertionError(f"the daemon did not become ready; its log:\n{log}")

    def stop(self, stop_signal=signal.SIGTERM):
        """Stops it and asserts a clean end; gives the log."""
        if self.process.poll() is None:
            self.process.send_signal(stop_signal)
        try:
            status = self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise AssertionError(f"no end {PATIENCE_S} s after the signal; log:\n{self.log()}")
        finally:
            log = self.log()
            self.clean_up()
        assert status == 0, f"exit status {status}; log:\n{log}"
        assert not SANITIZER_REPORT.search(log), log
        return log

    def kill(self):
        self.process.kill()
        self.process.wait()
        log = self.log()
        self.clean_up()
        assert not SANITIZER_REPORT.search(log), log

    def clean_up(self):
        os.unlink(self.log_path)
        if self.own_state:
            shutil.rmtree(self.state)

    def ask(self, method, path, body=None, headers=None, timeout=PATIENCE_S):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=timeout)
        try:
            connection.request(method, path, body=body, headers=headers or {})
            answer = connection.getresponse()
            answer = Answer(answer.status, answer.getheaders(), answer.read())
            RECORDER.write(method, path, answer)
            return answer
        finally:
            connection.close()

    def get(self, path, **headers):
        return self.ask("GET", path, headers={k.replace("_", "-"): v for k, v in headers.items()})

    def post_json(self, path, content, **headers):
        body = content if isinstance(content, (bytes, str)) else json.dumps(content)
        headers = {k.replace("_", "-"): v for k, v in headers.items()}
        return self.ask("POST", path, body, {"Content-Type": "application/json", **headers})

    def upload(self, body, query="", headers=None):
        return self.ask("POST", "/v1/captures" + query, body, headers)

    def looked_at(self, capture_id):
        """The capture once its health has ended."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            capture = self.get(f"/v1/captures/{capture_id}").json
            if capture["health"]["state"] in ("done", "failed"):
                return capture
            time.sleep(0.01)
        raise AssertionError(f"{capture} after {PATIENCE_S} s")

    def analyse(self, capture_id, settings=None, measurement="distortion", signal=None):
        """Queues an analysis and gives its id; `signal`: what was played."""
        order = {"capture": capture_id, "measurement": measurement, "settings": settings or {}}
        if signal:
            order["signal"] = signal
        answer = self.post_json("/v1/analyses", order)
        assert answer.status == 202, answer
        return answer.json["id"]

    def wait_for_end(self, analysis_id):
        """The analysis once it has ended."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            analysis = self.get(f"/v1/analyses/{analysis_id}", Prefer="wait=10").json
            if analysis["state"] not in ("queued", "running"):
                return analysis
        raise AssertionError(f"{analysis} after {PATIENCE_S} s")

    def connect(self):
        """A socket to it, for what no HTTP client would send."""
        return socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE_S)

    def stop_workers(self):
        """Halts its workers (SIGSTOP), so that whatever runs does not end. Once all have
        begun: one halted before would be replaced; and once the health of all recordings
        has ended, which would run before anything else."""
        end = time.monotonic() + PATIENCE_S
        while re.search(r"^residuum_capture_health_(waiting|running) [^0]",
                        self.get("/metrics").body.decode("utf-8"), re.M):
            assert time.monotonic() < end, "health does not end"
            time.sleep(0.02)
        while self.get("/v1/health").json["workers"]["alive"] < len(self.worker_pids()):
            assert time.monotonic() < end, "workers do not begin"
            time.sleep(0.02)
        for pid in self.worker_pids():
            os.kill(pid, signal.SIGSTOP)

    @contextlib.contextmanager
    def workers_halted(self):
        """Nothing that runs ends meanwhile, however short; those not killed go on after."""
        self.stop_workers()
        try:
            yield
        finally:
            for pid in self.worker_pids():
                with contextlib.suppress(ProcessLookupError):  # killed and reaped meanwhile
                    os.kill(pid, signal.SIGCONT)

    def worker_pids(self):
        """Its worker processes, by /proc."""
        listing = f"/proc/{self.process.pid}/task"
        pids = []
        for task in os.listdir(listing):
            with contextlib.suppress(FileNotFoundError, ProcessLookupError):  # an ended thread
                with open(f"{listing}/{task}/children", encoding="ascii") as children:
                    pids += [int(pid) for pid in children.read().split()]
        return pids

    def files(self, folder):
        """Names of all files below a folder of the state."""
        return sorted(
            str(path.relative_to(self.state))
            for path in (self.state / folder).rglob("*")
            if path.is_file()
        )


class DaemonCase(unittest.TestCase):
    """Tests that share one daemon. After each it must still be alive."""

    OPTIONS = ()

    @classmethod
    def setUpClass(cls):
        cls.daemon = Daemon(*cls.OPTIONS)

    @classmethod
    def tearDownClass(cls):
        cls.daemon.stop()

    def tearDown(self):
        self.assertTrue(self.daemon.get("/v1/health").json["alive"])

    def check_problem(self, answer, status, code, field=None, **more):
        """What a problem says; its shape is openapi_test.py's to check."""
        self.assertEqual(answer.status, status, answer)
        self.assertEqual(answer.headers["content-type"], "application/problem+json", answer)
        problem = answer.json
        self.assertEqual(problem["type"], f"/v1/problems/{code}")
        self.assertEqual(problem["code"], code, problem)
        self.assertEqual(problem["status"], status)
        self.assertEqual(problem.get("field"), field, problem)
        if status in (429, 503):
            self.assertRegex(answer.headers["retry-after"], r"^[1-9]\d*$")
        for name, value in more.items():
            self.assertEqual(problem.get(name), value, problem)
        return problem


def listed(capture):
    """A capture as lists show it: without what its health tells of each channel."""
    health = {name: told for name, told in capture["health"].items() if name != "channels"}
    return {**capture, "health": health}


def main():
    """Runs the tests of the calling file, and says which programs they tested."""
    print(f"programs under test: {BIN}", file=sys.stderr)
    unittest.main()
