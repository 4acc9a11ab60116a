"""`residuumd backup`: complete or nothing, consistent while the daemon works, and as good as
the state folder itself."""

import contextlib
import hashlib
import os
import pathlib
import shutil
import signal
import sqlite3
import stat
import subprocess
import tempfile
import threading
import time
import unittest

import harness
import waves

PROGRAM = str(harness.BIN / "residuumd")


def recording(seed):
    return waves.wav(waves.tone(duration_s=0.5, noise_dbfs=-80, seed=seed))


def back_up(state, to, **more):
    return subprocess.run([PROGRAM, "backup", str(to), "--state", str(state)], check=False,
                          capture_output=True, text=True, timeout=harness.PATIENCE_S, **more)


class Case(unittest.TestCase):
    def setUp(self):
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="residuum-backup-"))
        self.addCleanup(shutil.rmtree, self.folder, ignore_errors=True)
        self.state = self.folder / "state"
        self.copy = self.folder / "copy"

    def check_done(self, done):
        self.assertEqual((done.returncode, done.stderr), (0, ""), done)
        self.assertTrue(done.stdout.startswith(f"Backed up to {self.copy}: "), done)

    def check_failed(self, done, word):
        self.assertEqual((done.returncode, done.stdout), (1, ""), done)
        self.assertIn(word, done.stderr)
        self.assertTrue(done.stderr.startswith("residuumd: "), done)

    def check_copy(self, copy):
        """Every row of the copy has its files, with the right bytes."""
        with contextlib.closing(sqlite3.connect(copy / "residuum.db")) as database:
            self.assertEqual(database.execute("PRAGMA integrity_check").fetchall(), [("ok",)])
            captures = database.execute("SELECT sha256, bytes FROM capture").fetchall()
            done = database.execute("SELECT id FROM analysis WHERE state = 2").fetchall()
        for sha256, length in captures:
            content = (copy / "objects" / sha256[:2] / sha256).read_bytes()
            self.assertEqual(len(content), length)
            self.assertEqual(hashlib.sha256(content).hexdigest(), sha256)
        for (analysis,) in done:
            self.assertEqual((copy / "results" / analysis).read_bytes()[:8], b"RSDRES01")
        return len(captures), len(done)


class Quiet(Case):
    def test_copy_answers_like_the_original(self):
        daemon = harness.Daemon(state=self.state)
        capture = daemon.upload(recording(1), "?name=desk+two").json
        analysis = daemon.wait_for_end(daemon.analyse(capture["id"]))
        paths = (capture["links"]["self"], analysis["links"]["self"],
                 analysis["links"]["result"], "/v1/captures", "/v1/analyses")
        before = [daemon.get(path).body for path in paths]
        done = back_up(self.state, self.copy)
        self.check_done(done)
        self.assertIn("1 recordings and 1 results", done.stdout)
        daemon.stop()
        shutil.rmtree(self.state)
        self.assertEqual(self.check_copy(self.copy), (1, 1))
        daemon = harness.Daemon(state=self.copy)
        self.assertEqual([daemon.get(path).body for path in paths], before)
        again = daemon.wait_for_end(daemon.analyse(capture["id"]))
        self.assertEqual(again["state"], "done")
        self.assertNotIn("error", daemon.stop())

    def test_copy_is_private(self):
        daemon = harness.Daemon(state=self.state)
        daemon.upload(recording(1))
        socket = os.stat(self.state / "control")
        self.assertTrue(stat.S_ISSOCK(socket.st_mode))
        self.assertEqual(stat.S_IMODE(socket.st_mode), 0o600)
        self.check_done(back_up(self.state, self.copy))
        for path in (self.copy, *self.copy.rglob("*")):
            self.assertEqual(path.stat().st_mode & 0o077, 0, path)
        daemon.stop()
        self.assertFalse((self.state / "control").exists())

    def test_name_is_taken_from_the_folder_of_who_asks(self):
        daemon = harness.Daemon(state=self.state)
        done = back_up(self.state, "copy/", cwd=self.folder)
        self.assertEqual(done.returncode, 0, done)
        self.assertTrue((self.copy / "residuum.db").is_file())
        daemon.stop()

    def test_refusals(self):
        daemon = harness.Daemon(state=self.state)
        self.copy.mkdir()
        (self.copy / "notes.txt").write_text("mine")
        self.check_failed(back_up(self.state, self.copy), "no empty folder")
        self.assertEqual((self.copy / "notes.txt").read_text(), "mine")
        self.check_failed(back_up(self.state, self.folder / "nowhere" / "copy"), "nowhere")
        for name in (".", "..", "/"):
            self.check_failed(back_up(self.state, name), "does not exist yet")
        (self.folder / "other.part").mkdir()
        self.check_failed(back_up(self.state, self.folder / "other"), "other.part")
        daemon.stop()

    def test_without_a_daemon_it_says_to_copy(self):
        harness.Daemon(state=self.state).stop()
        done = back_up(self.state, self.copy)
        self.check_failed(done, "no residuumd runs")
        self.assertIn("copy it", done.stderr)
        self.check_failed(back_up(self.folder / "nothing", self.copy), "nothing")
        self.check_failed(back_up(self.folder, self.copy), "no state folder")
        self.assertFalse(self.copy.exists())

    def test_after_a_kill_the_socket_is_made_anew(self):
        harness.Daemon(state=self.state).kill()
        self.check_failed(back_up(self.state, self.copy), "no residuumd runs")
        daemon = harness.Daemon(state=self.state)
        self.check_done(back_up(self.state, self.copy))
        daemon.stop()

    def test_usage(self):
        for options in ([], ["--state", str(self.state)], [str(self.copy), "--stat", "x"]):
            done = subprocess.run([PROGRAM, "backup", *options], capture_output=True, text=True,
                                  timeout=harness.PATIENCE_S, check=False)
            self.assertEqual(done.returncode, 2, done)
            self.assertTrue(done.stderr.startswith("residuumd: "), done)

    def test_missing_files_are_told(self):
        daemon = harness.Daemon(state=self.state)
        capture = daemon.upload(recording(1)).json
        daemon.upload(recording(2))
        (self.state / "objects" / capture["sha256"][:2] / capture["sha256"]).unlink()
        done = back_up(self.state, self.copy)
        self.check_done(done)
        self.assertIn("1 recordings", done.stdout)
        self.assertIn("1 files were missing", done.stdout)
        daemon.stop()


class UnderLoad(Case):
    """Uploads, analyses and deletions go on while the backups are made."""

    def setUp(self):
        super().setUp()
        self.daemon = harness.Daemon("--workers", "2", state=self.state)
        self.over = threading.Event()
        self.faults = []

    def work(self, number):
        seed = 1000 * number
        try:
            while not self.over.is_set():
                seed += 1
                capture = self.daemon.upload(recording(seed)).json
                self.daemon.wait_for_end(self.daemon.analyse(capture["id"]))
                if seed % 2:
                    gone = self.daemon.ask("DELETE", capture["links"]["self"])
                    assert gone.status == 204, gone
        except Exception as fault:  # told by the test's own thread
            self.faults.append(fault)

    def test_every_row_of_each_copy_has_its_files(self):
        testers = [threading.Thread(target=self.work, args=(n,)) for n in range(3)]
        for tester in testers:
            tester.start()
        time.sleep(1)
        counts = []
        for number in range(4):
            copy = self.folder / f"copy{number}"
            done = back_up(self.state, copy)
            self.assertEqual((done.returncode, done.stderr), (0, ""), done)
            self.assertNotIn("missing", done.stdout)
            counts.append(self.check_copy(copy))
            time.sleep(0.3)
        self.over.set()
        for tester in testers:
            tester.join()
        self.assertEqual(self.faults, [])
        self.assertGreater(counts[-1][0], counts[0][0], "the load went on")
        self.daemon.stop()
        # What was deleted while a backup held it is gone all the same.
        with contextlib.closing(sqlite3.connect(self.state / "residuum.db")) as database:
            wanted = {row[0] for row in database.execute("SELECT sha256 FROM capture")}
        kept = {path.name for path in (self.state / "objects").rglob("*") if path.is_file()}
        self.assertEqual(kept, wanted)
        # And the last copy goes on where it was.
        daemon = harness.Daemon(state=copy)
        for analysis in daemon.get("/v1/analyses?limit=200").json["analyses"]:
            self.assertEqual(daemon.wait_for_end(analysis["id"])["state"], "done")
        daemon.stop()
        self.assertEqual(list((copy / "orphans").iterdir()), [])


class BrokenOff(Case):
    """Enough recordings that a backup takes a while."""

    def setUp(self):
        super().setUp()
        self.daemon = harness.Daemon(state=self.state)
        for seed in range(300):
            self.assertEqual(self.daemon.upload(waves.wav(waves.tone(
                duration_s=0.01, noise_dbfs=-80, seed=seed))).status, 201)

    def begin(self):
        command = subprocess.Popen([PROGRAM, "backup", str(self.copy), "--state",
                                    str(self.state)], stdout=subprocess.PIPE,
                                   stderr=subprocess.PIPE, text=True)
        part = self.folder / "copy.part"
        while not part.exists() and command.poll() is None:
            time.sleep(0.0005)
        return command

    def test_who_hangs_up_gives_it_up(self):
        command = self.begin()
        command.send_signal(signal.SIGKILL)
        command.communicate()
        end = time.monotonic() + harness.PATIENCE_S
        while (self.folder / "copy.part").exists():
            self.assertLess(time.monotonic(), end, "the part is removed")
            time.sleep(0.01)
        if self.copy.exists():  # it was faster than the signal
            self.assertEqual(self.check_copy(self.copy), (300, 0))
        self.daemon.stop()

    def test_stop_gives_it_up(self):
        command = self.begin()
        self.daemon.stop()
        out, err = command.communicate(timeout=harness.PATIENCE_S)
        self.assertFalse((self.folder / "copy.part").exists())
        if self.copy.exists():
            self.assertEqual((command.returncode, err), (0, ""))
            self.assertEqual(self.check_copy(self.copy), (300, 0))
        else:
            self.assertEqual((command.returncode, out), (1, ""))
            self.assertIn("given up", err)


if __name__ == "__main__":
    harness.main()
