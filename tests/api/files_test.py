"""Files of the state folder that are missing, changed or put back: found, named, and never
measured in place of the right ones."""

import os
import pathlib
import shutil
import tempfile
import time
import unittest

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=1, noise_dbfs=-100))


class Files(unittest.TestCase):
    def setUp(self):
        self.state = pathlib.Path(tempfile.mkdtemp(prefix="residuum-state-"))
        self.addCleanup(shutil.rmtree, self.state, ignore_errors=True)
        daemon = harness.Daemon(state=self.state)
        self.capture = daemon.upload(TONE, "?name=desk+nine").json
        self.path = self.state / "objects" / self.capture["sha256"][:2] / self.capture["sha256"]
        self.daemon = daemon

    def stop(self):
        return self.daemon.stop()

    def start(self):
        self.daemon = harness.Daemon(state=self.state)

    def wait_for_audio(self, want):
        """Files of another time are checked soon after the start, not before it."""
        end = time.monotonic() + harness.PATIENCE_S
        while self.audio() != want:
            self.assertLess(time.monotonic(), end, f"{self.audio()}, not {want}")
            time.sleep(0.02)

    def audio(self):
        return self.daemon.get(self.capture["links"]["self"]).json["audio"]

    def check_analysis_fails(self, word):
        ended = self.daemon.wait_for_end(self.daemon.analyse(self.capture["id"]))
        self.assertEqual((ended["state"], ended["problem"]["code"]),
                         ("failed", "audio_expired"), ended)
        self.assertEqual(ended["problem"]["field"], "capture")
        for part in (word, self.capture["id"], self.capture["sha256"]):
            self.assertIn(part, ended["problem"]["detail"])

    def check_log_names(self, log, word):
        lines = [line for line in log.splitlines() if self.capture["id"] in line]
        self.assertTrue(any(word in line and "desk nine" in line
                            and f"objects/{self.capture['sha256'][:2]}/" in line
                            for line in lines), log)

    def flip_a_bit(self):
        with open(self.path, "r+b") as file:
            file.seek(1000)
            byte = file.read(1)[0]
            file.seek(1000)
            file.write(bytes([byte ^ 1]))

    def test_missing_file_is_named_and_found_again(self):
        aside = self.state / "aside"
        self.stop()
        os.rename(self.path, aside)
        self.start()
        self.assertEqual(self.audio(), "missing")
        self.check_analysis_fails("missing")
        self.check_log_names(self.stop(), "missing")
        shutil.copyfile(aside, self.path)
        self.start()
        self.wait_for_audio("present")
        self.check_log_names(self.stop(), "right")

    def test_one_changed_bit_is_found_at_the_start(self):
        self.stop()
        before = self.path.read_bytes()
        self.flip_a_bit()
        self.start()
        self.wait_for_audio("changed")
        self.check_analysis_fails("changed")
        self.check_log_names(self.stop(), "changed")
        self.path.write_bytes(before)
        self.start()
        self.wait_for_audio("present")
        self.assertEqual(
            self.daemon.wait_for_end(self.daemon.analyse(self.capture["id"]))["state"], "done")
        self.stop()

    def test_shorter_file_is_changed(self):
        self.stop()
        os.truncate(self.path, len(TONE) - 2)
        self.start()
        self.assertEqual(self.audio(), "changed")
        self.check_analysis_fails("changed")
        self.stop()

    def test_change_under_a_running_daemon_is_found_before_it_is_measured(self):
        self.flip_a_bit()
        self.check_analysis_fails("changed")
        self.assertEqual(self.audio(), "changed")
        self.stop()

    def test_the_same_recording_uploaded_again_heals_it(self):
        self.flip_a_bit()
        self.check_analysis_fails("changed")
        again = self.daemon.upload(TONE).json
        self.assertNotEqual(again["id"], self.capture["id"])
        self.assertEqual(self.audio(), "present")
        self.assertEqual(
            self.daemon.wait_for_end(self.daemon.analyse(self.capture["id"]))["state"], "done")
        self.stop()

    def test_missing_result_is_named(self):
        analysis = self.daemon.wait_for_end(self.daemon.analyse(self.capture["id"]))
        self.stop()
        (self.state / "results" / analysis["id"]).unlink()
        self.start()
        answer = self.daemon.get(analysis["links"]["result"])
        self.assertEqual((answer.status, answer.json["code"]), (410, "no_result"))
        self.assertIn(f"results/{analysis['id']}", answer.json["detail"])
        self.assertIn(f"results/{analysis['id']} is missing", self.stop())


if __name__ == "__main__":
    harness.main()
