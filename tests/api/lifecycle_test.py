"""Start, stop, restart and the death of workers: what was acknowledged is never lost."""

import os
import pathlib
import re
import shutil
import signal
import socket
import subprocess
import tempfile
import time
import unittest

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=2, noise_dbfs=-100))
LONG = waves.wav(waves.tone(duration_s=120, channels=4, noise_dbfs=-100))


class StateCase(unittest.TestCase):
    def setUp(self):
        self.state = tempfile.mkdtemp(prefix="residuum-state-")
        self.addCleanup(shutil.rmtree, self.state, ignore_errors=True)

    def wait_for(self, condition, what):
        end = time.monotonic() + harness.PATIENCE_S
        while not condition():
            self.assertLess(time.monotonic(), end, what)
            time.sleep(0.02)


class Restart(StateCase):
    def test_ids_results_and_lists_survive(self):
        daemon = harness.Daemon(state=self.state)
        capture = daemon.upload(TONE, "?name=desk+three").json
        analysis = daemon.wait_for_end(daemon.analyse(capture["id"]))
        paths = (capture["links"]["self"], analysis["links"]["self"],
                 analysis["links"]["result"], "/v1/captures", "/v1/analyses",
                 analysis["links"]["result"] + "/series/spectrum?channel=1&points=100")
        before = [daemon.get(path).body for path in paths]
        daemon.stop()
        daemon = harness.Daemon(state=self.state)
        self.assertEqual([daemon.get(path).body for path in paths], before)
        daemon.stop()

    def test_both_signals_stop_it(self):
        for stop_signal in (signal.SIGTERM, signal.SIGINT):
            with self.subTest(stop_signal):
                harness.Daemon(state=self.state).stop(stop_signal)

    def check_all_get_done(self, ids):
        daemon = harness.Daemon(state=self.state)
        for analysis in ids:
            ended = daemon.wait_for_end(analysis)
            self.assertEqual(ended["state"], "done", ended)
            self.assertEqual(daemon.get(ended["links"]["result"]).status, 200)
        daemon.stop()

    def test_stop_during_analyses_loses_none(self):
        daemon = harness.Daemon("--workers", "2", state=self.state)
        capture = daemon.looked_at(daemon.upload(LONG).json["id"])["id"]
        ids = [daemon.analyse(capture) for _ in range(5)]
        self.wait_for(lambda: daemon.get("/v1/health").json["queue"]["running"] > 0,
                      "an analysis runs")
        daemon.stop()
        self.check_all_get_done(ids)

    def test_kill_during_analyses_loses_none(self):
        daemon = harness.Daemon("--workers", "2", state=self.state)
        capture = daemon.looked_at(daemon.upload(LONG).json["id"])["id"]
        ids = [daemon.analyse(capture) for _ in range(5)]
        self.wait_for(lambda: daemon.get("/v1/health").json["queue"]["running"] > 0,
                      "an analysis runs")
        workers = daemon.worker_pids()
        daemon.kill()
        self.wait_for(lambda: not any(os.path.exists(f"/proc/{pid}") for pid in workers),
                      "workers end with their daemon")
        self.check_all_get_done(ids)

    def begin_upload(self, daemon):
        raw = daemon.connect()
        raw.sendall(b"POST /v1/captures HTTP/1.1\r\nHost: localhost\r\n"
                    b"Content-Length: %d\r\n\r\n" % len(TONE))
        raw.sendall(TONE[:50000])
        self.wait_for(lambda: daemon.files("incoming"), "the upload has begun")
        return raw

    def test_stop_during_an_upload_keeps_nothing_of_it(self):
        daemon = harness.Daemon(state=self.state)
        kept = daemon.upload(TONE).json["id"]
        raw = self.begin_upload(daemon)
        daemon.process.send_signal(signal.SIGTERM)
        with raw:
            try:
                self.assertNotIn(b"201", raw.recv(65536)[:20])
            except ConnectionResetError:
                pass
        daemon.stop()
        self.check_only(kept)

    def test_kill_during_an_upload_keeps_nothing_of_it(self):
        daemon = harness.Daemon(state=self.state)
        kept = daemon.upload(TONE).json["id"]
        with self.begin_upload(daemon):
            daemon.kill()
        self.check_only(kept)

    def check_only(self, capture):
        daemon = harness.Daemon(state=self.state)
        self.assertEqual([c["id"] for c in daemon.get("/v1/captures").json["captures"]],
                         [capture])
        self.assertEqual(daemon.files("incoming"), [])
        self.assertEqual(len(daemon.files("objects")), 1)
        daemon.stop()

    def test_stop_wakes_those_who_wait(self):
        daemon = harness.Daemon("--workers", "1", state=self.state)
        capture = daemon.upload(LONG).json["id"]
        analysis = [daemon.analyse(capture) for _ in range(6)][-1]
        with daemon.connect() as raw:
            raw.sendall(f"GET /v1/analyses/{analysis} HTTP/1.1\r\nHost: localhost\r\n"
                        "Prefer: wait=30\r\n\r\n".encode())
            time.sleep(0.3)
            began = time.monotonic()
            daemon.stop()
            self.assertLess(time.monotonic() - began, 25)
            self.assertTrue(raw.recv(65536).startswith(b"HTTP/1.1 "))


class Workers(StateCase):
    def kill_running(self, daemon, analysis):
        """Kills the workers once this analysis runs; gives its state seen before."""
        self.wait_for(lambda: daemon.get(f"/v1/analyses/{analysis}").json["state"] != "queued",
                      "it runs")
        for pid in daemon.worker_pids():
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                pass

    def test_one_death_is_tried_again(self):
        daemon = harness.Daemon("--workers", "1")
        capture = daemon.upload(LONG).json["id"]
        analysis = daemon.analyse(capture)
        self.kill_running(daemon, analysis)
        self.assertEqual(daemon.wait_for_end(analysis)["state"], "done")
        daemon.stop()

    def test_two_deaths_fail_the_job_and_no_other(self):
        daemon = harness.Daemon("--workers", "1")
        capture = daemon.upload(LONG).json["id"]
        analysis = daemon.analyse(capture)
        end = time.monotonic() + harness.PATIENCE_S
        state, pause = None, 0.01
        while state not in ("failed", "done"):
            self.assertLess(time.monotonic(), end)
            self.kill_running(daemon, analysis)
            state = daemon.get(f"/v1/analyses/{analysis}").json["state"]
            # One that dies before it has read the job costs no attempt: each gets more time
            # to start than the one before.
            time.sleep(pause)
            pause *= 1.3
        ended = daemon.get(f"/v1/analyses/{analysis}").json
        self.assertEqual((ended["state"], ended["problem"]["code"]),
                         ("failed", "worker_crashed"))
        answer = daemon.get(f"/v1/analyses/{analysis}/result")
        self.assertEqual((answer.status, answer.json["code"]), (410, "no_result"))
        self.assertEqual(daemon.files("results"), [], "no part of a result stays")
        again = daemon.upload(TONE).json["id"]
        self.assertEqual(daemon.wait_for_end(daemon.analyse(again))["state"], "done")
        daemon.stop()

    def test_stopped_worker_fails_its_inspection_but_keeps_the_upload(self):
        daemon = harness.Daemon("--workers", "1")
        daemon.stop_workers()
        answer = daemon.upload(TONE)
        self.assertEqual(answer.status, 201, answer)
        self.assertIsNone(answer.json["format"])
        self.assertEqual(daemon.get(answer.json["links"]["self"]).json, answer.json)
        self.assertEqual(daemon.get("/v1/health").status, 200)
        daemon.stop()


    def test_without_a_worker_nothing_is_kept(self):
        worker = os.path.join(self.state, "worker")
        os.symlink(harness.BIN / "residuum-worker", worker)
        daemon = harness.Daemon("--workers", "1", "--worker", worker)
        os.unlink(worker)
        for pid in daemon.worker_pids():
            os.kill(pid, signal.SIGKILL)
        self.wait_for(lambda: daemon.get("/v1/health").status == 503, "all workers are gone")
        answer = daemon.upload(TONE)
        self.assertEqual((answer.status, answer.json["code"]), (503, "unavailable"), answer)
        self.assertEqual(answer.headers["retry-after"], "10")
        self.assertEqual(daemon.get("/v1/captures").json["captures"], [])
        self.assertEqual(daemon.files("objects") + daemon.files("incoming"), [])
        daemon.stop()


class StartUp(StateCase):
    def run_daemon(self, *options, **more):
        return subprocess.run([str(harness.BIN / "residuumd"), *options], capture_output=True,
                              text=True, timeout=harness.PATIENCE_S, check=False, **more)

    def test_help_names_every_option(self):
        done = self.run_daemon("--help")
        self.assertEqual(done.returncode, 0)
        for option in ("--listen", "--state", "--workers", "--max-upload", "--worker",
                       "--host-name", "--help", "--version"):
            self.assertRegex(done.stdout, rf"(?m)^\s*{option}\b")

    def test_version(self):
        done = self.run_daemon("--version")
        self.assertEqual(done.returncode, 0)
        self.assertRegex(done.stdout, r"\b\d+\.\d+\.\d+\b")

    def test_wrong_usage(self):
        for options in (["--listne", "127.0.0.1:0"], ["--listen"], ["--workers", "0"],
                        ["--workers", "65"], ["--workers", "two"], ["--max-upload", "-1"],
                        ["--listen", "127.0.0.1"], ["--listen", "127.0.0.1:99999"], ["extra"]):
            with self.subTest(options):
                done = self.run_daemon(*options, "--state", self.state)
                self.assertEqual(done.returncode, 2, done.stderr)
                self.assertTrue(done.stderr.strip())

    def test_address_that_is_not_loopback_is_refused(self):
        for address in ("0.0.0.0:0", "[::]:0", "192.0.2.7:0"):
            with self.subTest(address):
                done = self.run_daemon("--listen", address, "--state", self.state)
                self.assertIn(done.returncode, (1, 2))
                self.assertIn("loopback", done.stderr)

    def test_second_daemon_on_one_state_is_refused(self):
        daemon = harness.Daemon(state=self.state)
        done = self.run_daemon("--listen", "127.0.0.1:0", "--state", self.state)
        self.assertEqual(done.returncode, 1)
        self.assertIn(self.state, done.stderr)
        daemon.stop()

    def test_missing_database_beside_recordings_is_refused_and_its_log_is_kept(self):
        """SQLite itself would drop the log, and with it what was acknowledged."""
        daemon = harness.Daemon(state=self.state)
        capture = daemon.upload(TONE).json["id"]
        daemon.kill()
        database = pathlib.Path(self.state, "residuum.db")
        log = database.with_name("residuum.db-wal").read_bytes()
        self.assertTrue(log)
        for empty in (False, True):
            database.rename(database.with_name("away"))
            if empty:
                database.touch()
            done = self.run_daemon("--listen", "127.0.0.1:0", "--state", self.state)
            self.assertEqual(done.returncode, 1)
            self.assertIn("1 recordings", done.stderr)
            self.assertEqual(database.with_name("residuum.db-wal").read_bytes(), log)
            database.with_name("away").rename(database)
        daemon = harness.Daemon(state=self.state)
        self.assertEqual(daemon.get(f"/v1/captures/{capture}").status, 200)
        daemon.stop()

    def test_port_in_use_is_refused(self):
        with socket.create_server(("127.0.0.1", 0)) as taken:
            port = taken.getsockname()[1]
            done = self.run_daemon("--listen", f"127.0.0.1:{port}", "--state", self.state)
        self.assertEqual(done.returncode, 1)
        self.assertIn(str(port), done.stderr)

    def test_missing_worker_is_refused(self):
        done = self.run_daemon("--listen", "127.0.0.1:0", "--state", self.state,
                               "--worker", "/nonexistent/residuum-worker")
        self.assertEqual(done.returncode, 1)
        self.assertIn("/nonexistent/residuum-worker", done.stderr)

    def test_worker_that_describes_nothing_is_refused(self):
        done = self.run_daemon("--listen", "127.0.0.1:0", "--state", self.state,
                               "--worker", "/bin/true")
        self.assertEqual(done.returncode, 1)
        self.assertTrue(done.stderr.strip())

    def test_environment_sets_options_and_the_command_line_wins(self):
        environment = {"RESIDUUM_MAX_UPLOAD": "1000", "RESIDUUM_LISTEN": "127.0.0.1:1"}
        daemon = harness.Daemon(environment=environment)
        self.assertIn(1000, daemon.get("/v1/").json["limits"].values())
        self.assertEqual(daemon.upload(TONE).status, 413)
        daemon.stop()

    def test_several_listeners(self):
        daemon = harness.Daemon("--listen", "127.0.0.1:0", "--listen", "[::1]:0")
        ready = re.findall(r"^listening on http://(\S+):(\d+)$", daemon.log(), re.M)
        self.assertEqual([host for host, _ in ready], ["127.0.0.1", "127.0.0.1", "[::1]"])
        for host, port in ready:
            with socket.create_connection((host.strip("[]"), int(port)), timeout=30) as raw:
                raw.sendall(b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\n\r\n")
                self.assertTrue(raw.recv(4096).startswith(b"HTTP/1.1 200 "))
        daemon.stop()

    def test_state_folder_is_private(self):
        daemon = harness.Daemon(state=os.path.join(self.state, "new"))
        mode = pathlib.Path(self.state, "new").stat().st_mode & 0o777
        self.assertEqual(mode, 0o700)
        daemon.stop()


if __name__ == "__main__":
    harness.main()
