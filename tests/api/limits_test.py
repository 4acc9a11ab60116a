"""Limits that are only reached under load or on a small disk: each with its answer, and the
daemon goes on."""

import os
import shutil
import tempfile

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


if __name__ == "__main__":
    harness.main()
