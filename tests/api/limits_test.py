"""Limits that are only reached under load or on a small disk: each with its answer, and the
daemon goes on."""

import concurrent.futures
import contextlib
import http.client
import json
import os
import shutil
import sqlite3
import tempfile
import time

import harness
import waves

TONE = waves.wav(waves.tone(duration_s=2, noise_dbfs=-100))


class SmallDisk(harness.DaemonCase):
    """A state folder in memory where the machine has one: at any rate a disk smaller than the
    largest upload (1 TiB) and the largest signal."""

    # 3600 s at 768 kHz with 16 channels of 32 bits, and a header of at most 4096 bytes
    LARGEST = "duration_s=3600&sample_rate_hz=768000&channels=16&bits=32"
    LARGEST_BYTES = 3600 * 768000 * 16 * 4 + 4096

    @classmethod
    def setUpClass(cls):
        memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
        cls.state = tempfile.mkdtemp(prefix="residuum-small-", dir=memory)
        cls.addClassCleanup(shutil.rmtree, cls.state)
        cls.daemon = harness.Daemon("--max-upload", "1024G", state=cls.state)

    def free_bytes(self):
        return self.daemon.get("/v1/health").json["free_disk_bytes"]

    def test_signal_without_room_is_refused_before_it_is_rendered(self):
        before = self.free_bytes()
        self.assertLess(before, self.LARGEST_BYTES)
        answer = self.daemon.get("/v1/signals/tone/audio?" + self.LARGEST)
        problem = self.check_problem(answer, 507, "disk_full")
        self.assertIn(str(self.LARGEST_BYTES), problem["detail"])
        self.assertGreater(self.free_bytes(), before - (8 << 20))
        self.assertEqual(self.daemon.get("/v1/signals/tone/audio?duration_s=1").status, 200)

    def test_upload_without_room_is_refused_before_its_body(self):
        size = self.free_bytes() + 1
        self.assertLess(size, 1 << 40)
        with self.daemon.connect() as raw:
            raw.sendall(b"POST /v1/captures HTTP/1.1\r\nHost: localhost\r\n"
                        b"Content-Length: %d\r\nExpect: 100-continue\r\n\r\n" % size)
            received = raw.recv(65536)
        self.assertRegex(received, rb"^HTTP/1\.1 507 ")
        self.assertIn(b'"disk_full"', received)
        self.assertIn(str(size).encode(), received)
        self.assertEqual(self.daemon.upload(TONE).status, 201)


class FewDescriptors(harness.DaemonCase):
    """256 descriptors: by far too few for those who connect here."""

    @classmethod
    def setUpClass(cls):
        cls.daemon = harness.Daemon("--workers", "1", before=("prlimit", "--nofile=256:256"))
        capture = cls.daemon.upload(TONE).json["id"]
        cls.analysis = cls.daemon.wait_for_end(cls.daemon.analyse(capture))

    def test_idle_connections_shut_nobody_out(self):
        with contextlib.ExitStack() as idle:
            for i in range(300):
                idle.enter_context(self.daemon.connect())
                if i % 10 == 0:  # an eighth of some 100 connections is kept for those who ask
                    answer = self.daemon.get(self.analysis["links"]["result"])
                    self.assertEqual(answer.status, 200, answer)
            began = time.monotonic()
            self.assertEqual(self.daemon.upload(TONE).status, 201)
            self.assertEqual(self.daemon.get(self.analysis["links"]["result"]).status, 200)
            self.assertLess(time.monotonic() - began, 10, "less than the time of idle ones")

    def test_header_that_never_ends_is_cut(self):
        with self.daemon.connect() as raw:
            began = time.monotonic()
            raw.sendall(b"GET /v1/health HTTP/1.1\r\nHost: localhost\r\nX: ")
            with self.assertRaises(OSError):
                while time.monotonic() - began < 60:
                    raw.sendall(b"a")
                    time.sleep(0.2)
            # 10 s in http.c; a byte each 0.2 s is never idle for 30 s
            self.assertGreater(time.monotonic() - began, 9)


class FullQueue(harness.DaemonCase):
    OPTIONS = ("--workers", "1")
    LENGTH = 10000  # limits.queue_length

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.capture = cls.daemon.upload(TONE).json["id"]
        cls.daemon.stop_workers()

    def fill(self, _):
        """Queues analyses until one is refused; gives how many were taken and the refusal."""
        connection = http.client.HTTPConnection(
            "127.0.0.1", self.daemon.port, timeout=harness.PATIENCE_S)
        body = json.dumps({"capture": self.capture, "measurement": "distortion"})
        with contextlib.closing(connection):
            for taken in range(self.LENGTH + 2):
                connection.request("POST", "/v1/analyses", body)
                got = connection.getresponse()
                answer = harness.Answer(got.status, got.getheaders(), got.read())
                if answer.status != 202:
                    return taken, answer
        raise AssertionError("the queue is never full")

    def pages(self, path):
        """How many analyses each page holds, from the first to the last."""
        while path:
            page = self.daemon.get(path).json
            yield page["analyses"]
            path = page["links"].get("next")

    def test_positions_states_and_the_end_of_the_queue(self):
        ids = [self.daemon.analyse(self.capture) for _ in range(61)]
        end = time.monotonic() + harness.PATIENCE_S
        while self.daemon.get(f"/v1/analyses/{ids[0]}").json["state"] == "queued":
            self.assertLess(time.monotonic(), end)
        for position, analysis in enumerate(ids[1:], 1):
            answer = self.daemon.get(f"/v1/analyses/{analysis}")
            self.assertEqual(answer.json["position"], position)
            self.assertEqual(answer.headers["retry-after"], "1")

        running = list(self.pages("/v1/analyses?state=running&limit=5"))
        self.assertEqual([[a["id"] for a in page] for page in running], [ids[:1]])
        self.assertEqual(running[0][0]["state"], "running")
        queued = list(self.pages("/v1/analyses?state=queued&limit=25"))
        self.assertEqual([len(page) for page in queued], [25, 25, 10])
        self.assertEqual([a["id"] for page in queued for a in page], ids[:0:-1])
        self.assertEqual([len(page) for page in self.pages("/v1/analyses?limit=50")], [50, 11])

        with concurrent.futures.ThreadPoolExecutor(8) as pool:
            filled = list(pool.map(self.fill, range(8)))
        self.assertEqual(sum(taken for taken, _ in filled), self.LENGTH - 60)
        for _, answer in filled:
            problem = self.check_problem(answer, 429, "queue_full")
            self.assertIn(str(self.LENGTH), problem["detail"])
            self.assertEqual(answer.headers["retry-after"], "10")
        self.check_uploads()

    def check_uploads(self):
        """An upload that orders is refused before its body, and kept is nothing; one that
        orders nothing is taken, since health has always room."""
        before = self.daemon.files("objects"), self.daemon.get("/v1/captures").json
        answer = self.daemon.upload(TONE[:-2], "?measure=distortion")
        self.check_problem(answer, 429, "queue_full")
        self.assertEqual((self.daemon.files("objects"), self.daemon.get("/v1/captures").json),
                         before)
        self.assertEqual(self.daemon.upload(TONE[:-2]).status, 201)


class Faults(harness.DaemonCase):
    """What is not there and what cannot be told are two answers."""

    @classmethod
    def setUpClass(cls):
        super().setUpClass()
        cls.capture = cls.daemon.upload(TONE).json
        cls.analysis = cls.daemon.wait_for_end(cls.daemon.analyse(cls.capture["id"]))

    def check_unavailable(self, answer):
        self.check_problem(answer, 503, "unavailable")
        self.assertEqual(answer.headers["retry-after"], "10")

    def run_sql(self, text):
        with contextlib.closing(sqlite3.connect(self.daemon.state / "residuum.db")) as database:
            database.execute(text)

    def test_database_that_cannot_be_read(self):
        order = {"capture": self.capture["id"], "measurement": "distortion"}
        result = self.analysis["links"]["result"]
        self.run_sql("ALTER TABLE capture RENAME COLUMN note TO hidden")
        try:
            self.check_unavailable(self.daemon.get(self.capture["links"]["self"]))
            self.check_unavailable(self.daemon.post_json("/v1/analyses", order))
            self.check_unavailable(self.daemon.get(result))
        finally:
            self.run_sql("ALTER TABLE capture RENAME COLUMN hidden TO note")
        self.run_sql("ALTER TABLE analysis RENAME COLUMN tester TO hidden")
        try:
            self.check_unavailable(self.daemon.get(self.analysis["links"]["self"]))
            self.check_unavailable(self.daemon.get(result))
        finally:
            self.run_sql("ALTER TABLE analysis RENAME COLUMN hidden TO tester")
        self.assertEqual(self.daemon.get(result).status, 200)

    def test_result_that_is_gone_and_one_that_cannot_be_opened(self):
        result = self.analysis["links"]["result"]
        path = self.daemon.state / "results" / self.analysis["id"]
        aside = path.with_suffix(".aside")
        path.rename(aside)
        try:
            self.check_problem(self.daemon.get(result), 410, "no_result")
            path.symlink_to(aside)  # links are not followed there
            self.check_unavailable(self.daemon.get(result))
            self.check_unavailable(self.daemon.get(result + "/series/spectrum?channel=1"))
        finally:
            path.unlink(missing_ok=True)
            aside.rename(path)
        self.assertEqual(self.daemon.get(result).status, 200)


if __name__ == "__main__":
    harness.main()
