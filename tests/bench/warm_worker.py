"""A worker as the daemon keeps it: started once, one request after the other over the wire
that analysis/worker/wire.h describes."""

import json
import os
import socket
import struct
import subprocess
import time


class WarmWorker:
    def __init__(self):
        program = os.path.join(os.environ["RESIDUUM_BIN"], "residuum-worker")
        self.socket, theirs = socket.socketpair()
        environment = {"PATH": os.environ["PATH"], "LANG": "C", "MALLOC_ARENA_MAX": "1"}
        self.process = subprocess.Popen(
            [program, "--serve", str(theirs.fileno())], pass_fds=[theirs.fileno()],
            env=environment)
        theirs.close()

    def ask(self, request, descriptors=()):
        text = json.dumps(request).encode()
        head = b"RWF1" + struct.pack("<I", len(text))
        if descriptors:
            socket.send_fds(self.socket, [head], list(descriptors))
        else:
            self.socket.sendall(head)
        self.socket.sendall(text)
        while True:
            head = self._read(8)
            answer = json.loads(self._read(struct.unpack("<I", head[4:])[0]))
            if answer["answer"] != "progress":
                return answer

    def _read(self, count):
        data = b""
        while len(data) < count:
            more = self.socket.recv(count - len(data))
            if not more:
                raise RuntimeError("the worker has gone")
            data += more
        return data

    def measure_s(self, path, measurement="distortion", signal=None):
        """Seconds that a measurement of the recording takes, from sending the request to the
        answer, its result file included."""
        result = os.memfd_create("result")
        try:
            return self._timed({"request": "measure", "measurement": measurement,
                                "settings": {}, "signal": signal}, path, [result])
        finally:
            os.close(result)

    def health_s(self, path):
        """Seconds that a look at the recording's health takes, likewise."""
        return self._timed({"request": "health"}, path, [])

    def _timed(self, request, path, descriptors):
        capture = os.open(path, os.O_RDONLY)
        try:
            begin = time.perf_counter()
            answer = self.ask(request, [capture, *descriptors])
            seconds = time.perf_counter() - begin
        finally:
            os.close(capture)
        if answer["answer"] != "done":
            raise RuntimeError(answer)
        return seconds

    def peak_mib(self):
        with open(f"/proc/{self.process.pid}/status", encoding="ascii") as status:
            for line in status:
                if line.startswith("VmHWM"):
                    return int(line.split()[1]) / 1024
        raise RuntimeError("no VmHWM")

    def stop(self):
        self.socket.close()
        self.process.wait()
