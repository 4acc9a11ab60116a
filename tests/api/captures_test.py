"""Uploads that are taken: the whole shape of a capture, every format of the list, both ways
of sending, digests, names; and the list of captures with its pages."""

import base64
import concurrent.futures
import datetime
import hashlib
import pathlib
import subprocess
import tempfile
import urllib.parse

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=0.5, channels=2, noise_dbfs=-100))


def digest(body):
    return f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"


class Uploads(harness.DaemonCase):
    def check_capture(self, answer, body):
        self.assertEqual(answer.status, 201, answer)
        capture = answer.json
        self.assertEqual(capture["bytes"], len(body))
        self.assertEqual(capture["sha256"], hashlib.sha256(body).hexdigest())
        self.assertEqual(answer.headers["location"], capture["links"]["self"])
        self.assertEqual(capture["links"]["self"], f"/v1/captures/{capture['id']}")
        health = self.daemon.looked_at(capture["id"])
        told = {name: health[name] for name in ("health", "warnings", "suggested", "format")}
        self.assertEqual(health, {**capture, **told})
        self.assertEqual(health["health"]["state"], "done", health)
        return health

    def test_whole_shape(self):
        before = datetime.datetime.now(datetime.timezone.utc)
        answer = self.daemon.upload(TONE, "?name=take+1&note=desk%20three")
        capture = self.check_capture(answer, TONE)
        self.assertEqual((capture["name"], capture["note"]), ("take 1", "desk three"))
        self.assertEqual(capture["tester"], "local")
        self.assertEqual(capture["warnings"], [])
        self.assertEqual(capture["format"], {
            "container": "wav", "encoding": "pcm_24", "sample_rate_hz": 48000, "channels": 2,
            "frames": 24000, "duration_s": 0.5,
        })
        received = datetime.datetime.fromisoformat(capture["received"])
        self.assertLess(abs((received - before).total_seconds()), 60)
        analyses = self.daemon.get(capture["links"]["analyses"])
        self.assertEqual((analyses.status, analyses.json["analyses"]), (200, []))

    def test_name_and_note_may_be_left_out_or_hold_any_text(self):
        capture = self.check_capture(self.daemon.upload(TONE), TONE)
        self.assertEqual((capture["name"], capture["note"]), ("", ""))
        name = 'Lesetisch „Drei“ & "4" <b>'
        query = "?" + urllib.parse.urlencode({"name": name})
        self.assertEqual(self.check_capture(self.daemon.upload(TONE, query), TONE)["name"], name)

    def test_bad_queries_are_refused(self):
        for query, code, field in (
            ("?title=x", "unknown_field", "title"),
            ("?name=a&device=b", "unknown_field", "device"),
            ("?name=" + "n" * 201, "out_of_range", "name"),
            ("?note=" + "n" * 2001, "out_of_range", "note"),
        ):
            with self.subTest(query[:20]):
                self.check_problem(self.daemon.upload(TONE, query), 422, code, field)

    def test_chunked_body_is_taken(self):
        pieces = iter([TONE[:5], TONE[5:40000], TONE[40000:]])
        answer = self.daemon.ask("POST", "/v1/captures", pieces)
        self.check_capture(answer, TONE)

    def test_matching_digest_is_taken(self):
        # RFC 9530, section 2: several members, those of unknown algorithms are ignored
        for value in (digest(TONE), "md5=:YWJj:, " + digest(TONE), "md5=:YWJj:"):
            with self.subTest(value):
                answer = self.daemon.upload(TONE, headers={"Content-Digest": value})
                self.check_capture(answer, TONE)

    def test_same_bytes_twice_are_two_captures_and_one_file(self):
        first = self.check_capture(self.daemon.upload(TONE), TONE)
        second = self.check_capture(self.daemon.upload(TONE), TONE)
        self.assertNotEqual(first["id"], second["id"])
        name = f"objects/{first['sha256'][:2]}/{first['sha256']}"
        self.assertIn(name, self.daemon.files("objects"))
        self.assertEqual(self.daemon.files("incoming"), [])

    def test_wav_of_every_depth(self):
        samples = waves.tone(duration_s=0.2)
        for encoding, body in (
            ("pcm_16", waves.wav(samples, 16)), ("pcm_24", waves.wav(samples, 24)),
            ("pcm_32", waves.wav(samples, 32)), ("float_32", waves.float_wav(samples)),
        ):
            with self.subTest(encoding):
                capture = self.check_capture(self.daemon.upload(body), body)
                self.assertEqual(capture["format"]["encoding"], encoding)
                self.assertEqual(capture["format"]["frames"], 9600)

    def test_containers_beyond_4_gib(self):
        # BW64 differs from RF64 in its name only: from memory
        samples = waves.tone(duration_s=0.2)
        body = waves.rf64(samples, len(samples))
        for container, bytes_ in (("rf64", body), ("bw64", b"BW64" + body[4:])):
            with self.subTest(container):
                answer = self.daemon.upload(bytes_)
                self.assertEqual(answer.status, 201, answer)
                form = answer.json["format"]
                self.assertEqual((form["container"], form["frames"]), (container, len(samples)))

    def test_limits_are_still_taken(self):
        # the interface: 1 to 16 channels, 8 to 768 kHz; names of 200, notes of 2000 bytes
        for rate_hz, channels in ((8000, 1), (768000, 1), (48000, 16)):
            with self.subTest(rate_hz=rate_hz, channels=channels):
                samples = waves.tone(duration_s=0.2, channels=channels, rate_hz=rate_hz)
                body = waves.wav(samples, 16, rate_hz)
                form = self.check_capture(self.daemon.upload(body), body)["format"]
                self.assertEqual((form["sample_rate_hz"], form["channels"]), (rate_hz, channels))
        query = "?name=" + "n" * 200 + "&note=" + "n" * 2000
        self.check_capture(self.daemon.upload(TONE, query), TONE)

    def test_many_at_once(self):
        bodies = [waves.wav(waves.tone(600 + i, duration_s=0.5)) for i in range(24)]
        with concurrent.futures.ThreadPoolExecutor(12) as pool:
            answers = list(pool.map(self.daemon.upload, bodies))
        for answer, body in zip(answers, bodies):
            self.check_capture(answer, body)
        self.assertEqual(len({answer.json["id"] for answer in answers}), len(bodies))

    def test_files_of_other_programs(self):
        """SoX and flac write them, so that not only our own idea of a format is read."""
        for name, extra, container, encoding in (
            ("x.wav", ["-b", "24"], "wav", "pcm_24"),
            ("x.aiff", ["-b", "24"], "aiff", "pcm_24"),
            ("x.flac", ["-b", "16"], "flac", "pcm_16"),
            ("x.w64", ["-b", "16"], "w64", "pcm_16"),
            ("x.caf", ["-b", "24"], "caf", "pcm_24"),
        ):
            with self.subTest(name), tempfile.TemporaryDirectory() as folder:
                path = pathlib.Path(folder) / name
                subprocess.run(
                    ["sox", "-V1", "-R", "-n", "-r", "44100", "-c", "2", *extra, path,
                     "synth", "0.5", "sine", "1000", "gain", "-3"], check=True)
                body = path.read_bytes()
                capture = self.check_capture(self.daemon.upload(body), body)
                form = capture["format"]
                self.assertEqual((form["container"], form["encoding"]), (container, encoding))
                self.assertEqual((form["sample_rate_hz"], form["channels"]), (44100, 2))
                self.assertEqual(form["frames"], 22050)


class Lists(harness.DaemonCase):
    """A list is newest first; `next` leads to the older ones; nothing twice, nothing left out."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.names = [f"take {i}" for i in range(7)]
        cls.ids = [
            cls.daemon.upload(TONE, "?" + urllib.parse.urlencode({"name": name})).json["id"]
            for name in cls.names
        ]

    def test_newest_first(self):
        answer = self.daemon.get("/v1/captures")
        self.assertEqual(answer.status, 200)
        self.assertEqual([c["id"] for c in answer.json["captures"]], self.ids[::-1])

    def test_pages_hold_everything_once(self):
        for limit in (1, 2, 3, 7, 200):
            with self.subTest(limit=limit):
                path, got, pages = f"/v1/captures?limit={limit}", [], 0
                while path:
                    page = self.daemon.get(path).json
                    self.assertLessEqual(len(page["captures"]), limit)
                    got += [c["id"] for c in page["captures"]]
                    path = page["links"].get("next")
                    pages += 1
                    self.assertLess(pages, 20)
                self.assertEqual(got, self.ids[::-1])

    def test_page_is_stable_while_captures_come_in(self):
        page = self.daemon.get("/v1/captures?limit=3").json
        self.daemon.upload(TONE, "?name=late")
        more = self.daemon.get(page["links"]["next"]).json
        self.assertFalse({c["id"] for c in page["captures"]} & {c["id"] for c in more["captures"]})
        self.assertNotIn("late", [c["name"] for c in more["captures"]])
        self.ids.append(self.daemon.get("/v1/captures?limit=1").json["captures"][0]["id"])

    def test_tester_filters(self):
        self.assertEqual(len(self.daemon.get("/v1/captures?tester=local").json["captures"]),
                         len(self.ids))
        self.assertEqual(self.daemon.get("/v1/captures?tester=nobody").json["captures"], [])

    def test_bad_limits_and_cursors_are_refused(self):
        for query, field in (("limit=0", "limit"), ("limit=201", "limit"), ("limit=-1", "limit"),
                             ("limit=ten", "limit"), ("limit=1.5", "limit"), ("limit=", "limit"),
                             ("limit=99999999999999999999", "limit"), ("cursor=zz", "cursor"),
                             ("cursor=-5", "cursor")):
            with self.subTest(query):
                answer = self.daemon.get("/v1/captures?" + query)
                self.check_problem(answer, 422, "out_of_range", field)


if __name__ == "__main__":
    harness.main()
