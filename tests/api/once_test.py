"""Idempotency-Key: what is sent twice is made once, also by two at a time and across a kill."""

import concurrent.futures
import http.client
import os
import shutil
import signal
import tempfile
import threading
import time
import unittest

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=0.5, channels=2))
OTHER = waves.wav(waves.tone(duration_s=0.6, channels=2))
LONG = waves.wav(waves.tone(duration_s=120, channels=4, noise_dbfs=-100))


class Case(harness.DaemonCase):
    def upload(self, key, body=TONE, query=""):
        return self.daemon.upload(body, query, {"Idempotency-Key": key})

    def order(self, key, content):
        return self.daemon.post_json("/v1/analyses", content, Idempotency_Key=key)

    def count(self, what):
        return len(self.daemon.get(f"/v1/{what}?limit=200").json[what])


class Captures(Case):
    def test_repeated_gets_the_first_answer(self):
        before = self.count("captures")
        first = self.upload("take-1", query="?name=take+1&note=desk+3")
        self.assertEqual(first.status, 201, first)
        capture = self.daemon.looked_at(first.json["id"])
        for query in ("?name=take+1&note=desk+3", "?note=desk%203&name=take%201"):
            again = self.upload("take-1", query=query)
            self.assertEqual((again.status, again.json), (201, capture))
            self.assertEqual(again.headers["location"], first.headers["location"])
        self.assertEqual(self.count("captures"), before + 1)
        self.assertEqual(self.daemon.files("incoming"), [])

    def test_chunked_repeats_it_too(self):
        first = self.daemon.looked_at(self.upload("chunked").json["id"])
        again = self.daemon.ask("POST", "/v1/captures", iter([TONE[:999], TONE[999:]]),
                                {"Idempotency-Key": "chunked"})
        self.assertEqual((again.status, again.json), (201, first))

    def test_other_content_is_refused_and_not_kept(self):
        first = self.upload("one", query="?name=take+1").json
        before = self.count("captures"), self.daemon.files("objects")
        for body, query in ((OTHER, "?name=take+1"), (TONE, "?name=take+2"), (TONE, ""),
                            (TONE, "?name=take+1&note=x")):
            with self.subTest(query):
                problem = self.check_problem(self.upload("one", body, query), 422, "key_reused",
                                             "Idempotency-Key")
                self.assertIn(first["id"], problem["detail"])
        self.assertEqual((self.count("captures"), self.daemon.files("objects")), before)

    def test_without_or_with_another_key_it_is_made_again(self):
        ids = {self.upload("a").json["id"], self.upload("b").json["id"],
               self.upload("A").json["id"], self.daemon.upload(TONE).json["id"],
               self.daemon.upload(TONE).json["id"]}
        self.assertEqual(len(ids), 5)

    def test_a_refused_upload_leaves_the_key_free(self):
        self.check_problem(self.upload("free", b"RIFF no audio at all \0"), 415, "not_audio")
        self.assertEqual(self.upload("free").status, 201)

    def test_keys_out_of_range(self):
        for key in ("", "two words", "x" * 256, "tab\there", "ümlaut"):
            with self.subTest(key[:20]):
                answer = self.daemon.upload(TONE, headers={
                    "Idempotency-Key": key.encode("utf-8").decode("latin-1")})
                self.check_problem(answer, 422, "out_of_range", "Idempotency-Key")
        for key in ("x" * 255, '"8e03978e-40d5-43dd-bc93-6894a57f9324"', "~!"):
            with self.subTest(key[:20]):
                self.assertEqual(self.upload(key).status, 201)

    def test_what_it_made_and_was_deleted_is_not_made_again(self):
        capture = self.upload("gone").json
        self.assertEqual(self.daemon.ask("DELETE", capture["links"]["self"]).status, 204)
        problem = self.check_problem(self.upload("gone"), 422, "key_reused", "Idempotency-Key")
        self.assertIn(capture["id"], problem["detail"])
        self.assertIn("deleted", problem["detail"])

    def test_two_at_a_time_make_one(self):
        for round_number in range(5):
            before = self.count("captures")
            key = f"race-{round_number}"
            with concurrent.futures.ThreadPoolExecutor(8) as pool:
                answers = list(pool.map(self.upload, [key] * 8))
            self.assertEqual({a.status for a in answers}, {201})
            self.assertEqual(len({a.json["id"] for a in answers}), 1)
            self.assertEqual(self.count("captures"), before + 1)
        self.assertEqual(self.daemon.get(answers[0].json["links"]["audio"]).body, TONE)

    def test_two_different_at_a_time(self):
        with concurrent.futures.ThreadPoolExecutor(8) as pool:
            answers = list(pool.map(lambda i: self.upload("both", (TONE, OTHER)[i % 2]), range(8)))
        made = [a for a in answers if a.status == 201]
        self.assertEqual(len({a.json["id"] for a in made}), 1)
        self.assertEqual(len(made), 4)
        for answer in answers:
            if answer.status != 201:
                self.check_problem(answer, 422, "key_reused", "Idempotency-Key")


class Analyses(Case):
    OPTIONS = ("--workers", "1")

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.capture = cls.daemon.upload(TONE).json["id"]

    def content(self, **more):
        return {"capture": self.capture, "measurement": "distortion", **more}

    def test_repeated_gets_the_same_analysis(self):
        before = self.count("analyses")
        first = self.order("one", self.content(settings={"harmonics": 5, "channels": [1]}))
        self.assertEqual(first.status, 202, first)
        again = self.order("one", '{ "settings" : {"channels":[1], "harmonics":5},\n'
                           f'"measurement":"distortion","capture":"{self.capture}"}}')
        self.assertEqual((again.status, again.json["id"]), (202, first.json["id"]))
        self.assertEqual(again.headers["location"], first.headers["location"])
        done = self.daemon.wait_for_end(first.json["id"])
        late = self.order("one", self.content(settings={"harmonics": 5, "channels": [1]}))
        self.assertEqual((late.status, late.json), (202, done))
        waited = self.daemon.post_json(
            "/v1/analyses", self.content(settings={"harmonics": 5, "channels": [1]}),
            Idempotency_Key="one", Prefer="wait=5")
        self.assertEqual((waited.status, waited.json), (200, done))
        self.assertEqual(self.count("analyses"), before + 1)

    def test_other_content_is_refused(self):
        first = self.order("two", self.content(settings={"harmonics": 5})).json
        before = self.count("analyses")
        for content in (self.content(), self.content(settings={"harmonics": 6}),
                        self.content(settings={"harmonics": 5}, floor_capture=self.capture)):
            problem = self.check_problem(self.order("two", content), 422, "key_reused",
                                         "Idempotency-Key")
            self.assertIn(first["id"], problem["detail"])
        self.assertEqual(self.count("analyses"), before)

    def test_key_of_a_capture_is_another(self):
        self.assertEqual(self.upload("both").status, 201)
        self.assertEqual(self.order("both", self.content()).status, 202)

    def test_a_refused_order_leaves_the_key_free(self):
        self.check_problem(self.order("free", self.content(settings={"harmonics": 1})), 422,
                           "out_of_range", "harmonics")
        self.assertEqual(self.order("free", self.content()).status, 202)
        self.check_problem(self.order("a b", self.content()), 422, "out_of_range",
                           "Idempotency-Key")

    def test_what_it_made_and_was_deleted_is_not_made_again(self):
        capture = self.daemon.upload(OTHER).json
        content = self.content(capture=capture["id"])
        analysis = self.order("gone", content).json
        self.daemon.wait_for_end(analysis["id"])
        self.assertEqual(self.daemon.ask("DELETE", capture["links"]["self"]).status, 204)
        problem = self.check_problem(self.order("gone", content), 422, "key_reused",
                                     "Idempotency-Key")
        self.assertIn(analysis["id"], problem["detail"])

    def test_two_at_a_time_wait_for_its_end_alike(self):
        def order(key):
            return self.daemon.post_json("/v1/analyses", self.content(),
                                         Idempotency_Key=key, Prefer="wait=20")
        with concurrent.futures.ThreadPoolExecutor(6) as pool:
            for round in range(60):
                answers = list(pool.map(order, [f"wait-{round}"] * 6))
                self.assertEqual({(answer.status, answer.json["state"])
                                  for answer in answers}, {(200, "done")})

    def test_two_at_a_time_make_one(self):
        before = self.count("analyses")
        with concurrent.futures.ThreadPoolExecutor(8) as pool:
            answers = list(pool.map(lambda _: self.order("race", self.content()), range(16)))
        self.assertEqual({a.status for a in answers}, {202})
        self.assertEqual(len({a.json["id"] for a in answers}), 1)
        self.assertEqual(self.count("analyses"), before + 1)


class AcrossKills(unittest.TestCase):
    def setUp(self):
        self.state = tempfile.mkdtemp(prefix="residuum-state-")
        self.addCleanup(shutil.rmtree, self.state, ignore_errors=True)

    def test_answers_survive_a_kill(self):
        daemon = harness.Daemon(state=self.state)
        key = {"Idempotency-Key": "k"}
        capture = daemon.looked_at(daemon.upload(TONE, "?name=take+1", key).json["id"])
        content = {"capture": capture["id"], "measurement": "distortion"}
        analysis = daemon.post_json("/v1/analyses", content, **key).json["id"]
        daemon.kill()
        daemon = harness.Daemon(state=self.state)
        again = daemon.upload(TONE, "?name=take+1", key)
        self.assertEqual((again.status, again.json), (201, capture))
        self.assertEqual(daemon.upload(OTHER, "?name=take+1", key).status, 422)
        self.assertEqual(daemon.post_json("/v1/analyses", content, **key).json["id"], analysis)
        self.assertEqual(len(daemon.get("/v1/analyses").json["analyses"]), 1)
        daemon.stop()

    def test_killed_at_any_moment_and_repeated_it_is_made_once(self):
        for number, delay_s in enumerate((0, 0.02, 0.05, 0.1, 0.2, 0.4, 0.8)):
            with self.subTest(delay_s=delay_s):
                key = {"Idempotency-Key": f"kill-{number}"}
                query = f"?name=kill+{number}"
                daemon = harness.Daemon(state=self.state)
                first = []

                def send():
                    try:
                        first.append(daemon.upload(LONG, query, key))
                    except (OSError, http.client.HTTPException):
                        pass

                sender = threading.Thread(target=send)
                sender.start()
                time.sleep(delay_s)
                os.kill(daemon.process.pid, signal.SIGKILL)
                sender.join()
                daemon.kill()
                daemon = harness.Daemon(state=self.state)
                again = [daemon.upload(LONG, query, key) for _ in range(2)]
                self.assertEqual([a.status for a in again], [201, 201])
                named = [c["id"] for c in daemon.get("/v1/captures").json["captures"]
                         if c["name"] == f"kill {number}"]
                self.assertEqual([a.json["id"] for a in again], named * 2)
                for answer in first:
                    self.assertEqual((answer.status, answer.json["id"]), (201, named[0]))
                daemon.stop()


if __name__ == "__main__":
    harness.main()
