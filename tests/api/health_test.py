#!/usr/bin/python3
"""The health of recordings: looked at once uploaded, before they are measured. And what can be
said with an upload: the signal that was played, measurements to begin with."""

import contextlib
import http.client
import json
import os
import shutil
import signal
import tempfile
import time
import unittest
import urllib.parse

import numpy

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=0.5, channels=2, noise_dbfs=-110))
PLAYED = {"name": "tone", "parameters": {"frequency_hz": 997}}


def query(**parameters):
    return "?" + urllib.parse.urlencode(parameters, doseq=True)


def long_recording():
    """A worker is at it for a while: 8 channels of noise, 16 bits, 40 s."""
    block = numpy.random.default_rng(7).integers(-9000, 9000, (48000, 8), dtype="<i2").tobytes()
    return waves.riff(block * 40, 8, waves.RATE_HZ, 16)


def not_a_number(frame, channel):
    samples = waves.tone(channels=2)
    samples[frame, channel - 1] = numpy.nan
    return waves.float_wav(samples)


class Case(harness.DaemonCase):
    def upload(self, body=TONE, **parameters):
        answer = self.daemon.upload(body, query(**parameters) if parameters else "")
        self.assertEqual(answer.status, 201, answer)
        return answer.json

    def patch(self, capture_id, change):
        return self.daemon.ask("PATCH", f"/v1/captures/{capture_id}", json.dumps(change),
                               {"Content-Type": "application/json"})

    def count(self):
        return len(self.daemon.get("/v1/captures?limit=200").json["captures"])


class Health(Case):
    def test_it_is_told_of_each_channel(self):
        body = waves.wav(waves.tone(duration_s=2, channels=2, noise_dbfs=-110))
        capture = self.upload(body)
        self.assertIn(capture["health"]["state"], ("queued", "running"))
        self.assertNotIn("channels", capture["health"])
        self.assertEqual(capture["suggested"], [])
        capture = self.daemon.looked_at(capture["id"])
        health = capture["health"]
        self.assertEqual(health["state"], "done", health)
        self.assertEqual(health["warnings"], capture["warnings"])
        self.assertEqual([c["channel"] for c in health["channels"]], [1, 2])
        for channel in health["channels"]:
            self.assertAlmostEqual(channel["tone_frequency_hz"], 997, delta=0.01)  # as made
            self.assertIsNone(channel["clock_offset_ppm"])  # nobody said what was played
        self.assertEqual(capture["suggested"], [{"measurement": "distortion", "settings": {}}])
        self.assertEqual(capture["format"]["frames"], 96000)
        self.assertFalse(capture["quarantined"])

    def test_a_list_leaves_out_the_channels(self):
        capture = self.daemon.looked_at(self.upload()["id"])
        listed = self.daemon.get("/v1/captures?limit=1").json["captures"]
        self.assertEqual(listed, [harness.listed(capture)])
        self.assertIn("channels", capture["health"])
        self.assertNotIn("channels", listed[0]["health"])

    def test_the_tag_changes_when_it_ends(self):
        path = self.upload(long_recording())["links"]["self"]
        before = self.daemon.get(path)
        self.assertIn(before.json["health"]["state"], ("queued", "running"))
        self.daemon.looked_at(before.json["id"])
        after = self.daemon.get(path, If_None_Match=before.headers["etag"])
        self.assertEqual((after.status, after.json["health"]["state"]), (200, "done"))
        self.assertEqual(self.daemon.get(path, If_None_Match=after.headers["etag"]).status, 304)

    def test_a_sample_that_is_no_number_fails_it_and_every_analysis(self):
        capture = self.upload(not_a_number(700, 2), measure="distortion")
        later = self.daemon.analyse(capture["id"])
        health = self.daemon.looked_at(capture["id"])["health"]
        self.assertEqual(health["state"], "failed")
        problem = health["problem"]
        self.assertEqual(problem["code"], "not_finite")
        self.assertIn("700", problem["detail"])
        self.assertRegex(problem["detail"], r"[Cc]hannel 2\b")
        for analysis in (capture["analyses"][0]["id"], later):
            ended = self.daemon.wait_for_end(analysis)
            self.assertEqual((ended["state"], ended["problem"]), ("failed", problem))
        self.assertEqual(self.daemon.get(capture["links"]["audio"]).body, not_a_number(700, 2))

    def test_it_may_be_deleted_at_once(self):
        body = long_recording()
        for wait_s in (0, 0, 0.02, 0.05, 0.1):
            capture = self.upload(body)
            time.sleep(wait_s)
            answer = self.daemon.ask("DELETE", capture["links"]["self"])
            self.assertEqual(answer.status, 204, answer)
            self.assertEqual(self.daemon.get(capture["links"]["self"]).status, 404)
        capture = self.upload(measure="distortion")
        answer = self.daemon.ask("DELETE", capture["links"]["self"])
        if answer.status != 204:  # its analysis has not ended, which is the rule for these
            self.check_problem(answer, 409, "conflict")
        self.assertEqual(self.daemon.looked_at(self.upload()["id"])["health"]["state"], "done")


class Orders(Case):
    def test_an_upload_orders_its_analyses(self):
        names = [m["name"] for m in self.daemon.get("/v1/measurements").json["measurements"]]
        capture = self.upload(measure=names, name="take 1")
        self.assertEqual([a["measurement"] for a in capture["analyses"]], names)
        for analysis in capture["analyses"]:
            self.assertEqual((analysis["capture"], analysis["settings"]), (capture["id"], {}))
            ended = self.daemon.wait_for_end(analysis["id"])
            self.assertEqual(ended["created"], capture["received"])
            self.assertIn(ended["state"], ("done", "failed"))  # as the signal suits it or not
        listed = self.daemon.get(capture["links"]["analyses"]).json["analyses"]
        self.assertEqual({a["id"] for a in listed}, {a["id"] for a in capture["analyses"]})
        self.assertNotIn("analyses", self.daemon.looked_at(capture["id"]))
        self.assertNotIn("analyses", self.upload())

    def test_a_key_repeats_them(self):
        key = {"Idempotency-Key": "ordered"}
        asked = query(measure="distortion", name="x")
        first = self.daemon.upload(TONE, asked, key).json
        self.daemon.analyse(first["id"])  # not with the upload
        again = self.daemon.upload(TONE, asked, key)
        self.assertEqual(again.status, 201)
        self.assertEqual(again.json["id"], first["id"])
        self.assertEqual([a["id"] for a in again.json["analyses"]],
                         [a["id"] for a in first["analyses"]])
        self.check_problem(self.daemon.upload(TONE, query(name="x"), key), 422, "key_reused",
                           "Idempotency-Key")

    def test_what_is_wrong_is_told_and_nothing_kept(self):
        before = self.count(), self.daemon.files("objects")
        tone = {"name": "tone"}
        for asked, code, field in (
            (query(measure="distorsion"), "out_of_range", "measure"),
            (query(measure=""), "out_of_range", "measure"),
            (query(measure=["distortion", "x"]), "out_of_range", "measure"),
            (query(measure=["distortion", "distortion"]), "out_of_range", "measure"),
            (query(name=["a", "b"]), "out_of_range", "name"),
            (query(signal="tone"), "out_of_range", "signal"),
            (query(signal="[]"), "out_of_range", "signal"),
            (query(signal=""), "out_of_range", "signal"),
            (query(signal="[" * 5000), "out_of_range", "signal"),
            (query(signal='{"name":"tone","name":"tone"}'), "out_of_range", "signal"),
            (query(signal='{"name":"whistle"}'), "out_of_range", "signal"),
            (query(signal='{"name":7}'), "out_of_range", "signal"),
            (query(signal="{}"), "missing_field", "name"),
            (query(signal=json.dumps({**tone, "level": 1})), "unknown_field", "level"),
            (query(signal=json.dumps({**tone, "parameters": []})), "out_of_range", "signal"),
            (query(signal=json.dumps({**tone, "parameters": {"frequency": 1}})), "unknown_field",
             "frequency"),
            (query(signal=json.dumps({**tone, "parameters": {"frequency_hz": -1}})),
             "out_of_range", "frequency_hz"),
        ):
            with self.subTest(asked[:80]):
                self.check_problem(self.daemon.upload(TONE, asked), 422, code, field)
        self.assertEqual((self.count(), self.daemon.files("objects")), before)

    def test_it_is_told_before_the_body(self):
        connection = http.client.HTTPConnection("127.0.0.1", self.daemon.port, timeout=20)
        connection.putrequest("POST", "/v1/captures?measure=nothing")
        connection.putheader("Content-Length", "2000000000")
        connection.putheader("Expect", "100-continue")
        connection.endheaders()
        answer = connection.getresponse()
        self.assertEqual(answer.status, 422)
        connection.close()


class Signal(Case):
    def test_it_is_kept_as_given(self):
        text = json.dumps(PLAYED)
        capture = self.upload(signal=text)
        self.assertEqual(capture["signal"], PLAYED)
        self.assertEqual(self.daemon.looked_at(capture["id"])["signal"], PLAYED)
        self.assertEqual(self.upload(signal='{"name":"tone"}')["signal"],
                         {"name": "tone", "parameters": {}})
        self.assertIsNone(self.upload(signal="null")["signal"])
        self.assertIsNone(self.upload()["signal"])

    def test_it_tells_how_far_the_clocks_are_apart(self):
        # 997 Hz played by a clock that runs 50 ppm faster than the recorder's
        body = waves.wav(waves.tone(997 * (1 + 50e-6), duration_s=4, noise_dbfs=-110))
        capture = self.upload(body, signal=json.dumps(PLAYED))
        channel = self.daemon.looked_at(capture["id"])["health"]["channels"][0]
        self.assertAlmostEqual(channel["clock_offset_ppm"], 50, delta=0.5)
        self.patch(capture["id"], {"signal": None})
        channel = self.daemon.looked_at(capture["id"])["health"]["channels"][0]
        self.assertIsNone(channel["clock_offset_ppm"])

    def test_another_one_has_the_health_looked_at_again(self):
        capture = self.daemon.looked_at(self.upload(long_recording())["id"])
        for given, shown in ((PLAYED, PLAYED), (None, None),
                             ({"name": "tone"}, {"name": "tone", "parameters": {}})):
            with self.subTest(given=given):
                answer = self.patch(capture["id"], {"signal": given})
                self.assertEqual((answer.status, answer.json["signal"]), (200, shown))
                self.assertIn(answer.json["health"]["state"], ("queued", "running"))
                again = self.daemon.looked_at(capture["id"])
                self.assertEqual((again["health"]["state"], again["signal"]), ("done", shown))
        same = self.patch(capture["id"], {"signal": {"name": "tone", "parameters": {}},
                                          "name": "unit B"})
        self.assertEqual(same.json["health"]["state"], "done")  # nothing has changed for it

    def test_a_wrong_one_changes_nothing(self):
        capture = self.daemon.looked_at(self.upload(signal=json.dumps(PLAYED))["id"])
        for change, code, field in (
            ({"signal": "tone"}, "out_of_range", "signal"),
            ({"signal": {"name": "whistle"}}, "out_of_range", "signal"),
            ({"signal": {}}, "missing_field", "name"),
            ({"signal": {"name": "tone", "parameters": {"x": 1}}}, "unknown_field", "x"),
            ({"name": "x", "quarantined": True}, "out_of_range", "quarantined"),
            ({"quarantined": None}, "out_of_range", "quarantined"),
        ):
            with self.subTest(str(change)):
                self.check_problem(self.patch(capture["id"], change), 422, code, field)
        self.assertEqual(self.patch(capture["id"], {"quarantined": False}).json, capture)


class Quarantine(Case):
    OPTIONS = ("--workers", "1")

    def kill_those_at_it(self, capture_id):
        """Kills whatever worker looks at it until nobody does any more."""
        end, pause_s = time.monotonic() + harness.PATIENCE_S, 0.02
        while time.monotonic() < end:
            capture = self.daemon.get(f"/v1/captures/{capture_id}").json
            if capture["health"]["state"] not in ("queued", "running"):
                return capture
            if capture["health"]["state"] == "running":
                for pid in self.daemon.worker_pids():
                    with contextlib.suppress(ProcessLookupError):  # gone meanwhile
                        os.kill(pid, signal.SIGKILL)
                time.sleep(pause_s)
                pause_s *= 1.2  # a sanitizer's workers need longer to begin
        raise AssertionError(capture)

    def test_two_deaths_and_the_end_of_it(self):
        other = self.upload()["id"]  # before: the worker that looks at headers is killed, too
        self.daemon.looked_at(other)
        capture = self.upload(long_recording(), measure="distortion")
        dead = self.kill_those_at_it(capture["id"])
        self.assertEqual(dead["health"]["state"], "failed")
        self.assertEqual(dead["health"]["problem"]["code"], "worker_crashed")
        self.assertTrue(dead["quarantined"])
        ended = self.daemon.wait_for_end(capture["analyses"][0]["id"])
        self.assertEqual((ended["state"], ended["problem"]["code"]), ("failed", "worker_crashed"))
        self.assertIn("quarantined", ended["problem"]["detail"])
        metrics = self.daemon.get("/metrics").body.decode("utf-8")
        self.assertIn("\nresiduum_captures_quarantined_total 1\n", metrics)
        self.assertIn('\nresiduum_capture_health_ended_total{state="failed"} 1\n', metrics)

        for order, field in (({"capture": capture["id"]}, "capture"),
                             ({"capture": other, "floor_capture": capture["id"]},
                              "floor_capture")):
            answer = self.daemon.post_json("/v1/analyses", {**order, "measurement": "distortion"})
            problem = self.check_problem(answer, 409, "conflict", field)
            self.assertIn('"quarantined":false', problem["detail"])
        self.check_problem(self.patch(capture["id"], {"signal": PLAYED}), 409, "conflict",
                           "signal")
        lifted = self.patch(capture["id"], {"quarantined": False}).json
        self.assertFalse(lifted["quarantined"])
        self.assertEqual(self.daemon.looked_at(capture["id"])["health"]["state"], "done")
        self.daemon.analyse(capture["id"])


class AcrossKills(unittest.TestCase):
    def test_what_was_acknowledged_is_looked_at_and_measured_after_a_kill(self):
        state = tempfile.mkdtemp(prefix="residuum-state-")
        self.addCleanup(shutil.rmtree, state, ignore_errors=True)
        body = long_recording()
        made = []
        for wait_s in (0, 0.03, 0.1):
            daemon = harness.Daemon("--workers", "1", state=state)
            made.append(daemon.upload(body, query(measure="distortion", signal=json.dumps(PLAYED)))
                        .json)
            time.sleep(wait_s)
            daemon.kill()
        daemon = harness.Daemon(state=state)
        for capture in made:
            again = daemon.looked_at(capture["id"])
            self.assertEqual(again["health"]["state"], "done", again)
            self.assertEqual(again["signal"], PLAYED)
            self.assertIn(daemon.wait_for_end(capture["analyses"][0]["id"])["state"],
                          ("done", "failed"))
        daemon.stop()


if __name__ == "__main__":
    harness.main()
