"""Mutated recordings are uploaded while honest clients measure known tones: the daemon stays
up, answers each with 201 or a problem that is the client's fault, loses no worker, keeps its
memory flat, and gives the honest ones the right figures.

`--uploads N` sends more than the short run, `--seed N` repeats one, `--only I` sends mutation I
alone and says what becomes of it.
"""

import argparse
import itertools
import json
import math
import pathlib
import random
import re
import sys
import tempfile
import threading
import time
import urllib.parse

import mutations
from ledger import harness, need

import waves  # beside the harness

SHORT_UPLOADS = 300
ATTACKERS = 3
HONEST = 4
GROWTH_KIB = 24 << 10  # of the daemon over the second half of the uploads
# What a hostile upload may ask for besides.
ASKED = ({}, {"measure": "distortion"}, {"signal": "tone"}, {"measure": "noise"},
         {"measure": "intermodulation", "signal": "twin-tone"}, {},
         {"measure": "multitone"}, {"measure": "multitone", "signal": "multitone"},
         {"measure": "jitter", "signal": "jitter-pattern"}, {"measure": ("noise", "jitter")},
         {"measure": "distortion", "signal": "silence"})


def query(number):
    asked = dict(ASKED[number % len(ASKED)])
    if "signal" in asked:
        asked["signal"] = json.dumps({"name": asked["signal"], "parameters": {}})
    return "?" + urllib.parse.urlencode(asked, doseq=True) if asked else ""


class Attacker(threading.Thread):
    """Takes the next mutation until there are no more."""

    def __init__(self, daemon, mutator, numbers):
        super().__init__()
        self.at, self.mutator, self.numbers = daemon, mutator, numbers
        self.taken, self.refused, self.unhealthy, self.failed = 0, {}, 0, 0
        self.fault, self.words, self.body = None, None, None

    def run(self):
        try:
            for number in self.numbers:
                self.words, self.body = self.mutator.make(number)
                self.one(number)
        except Exception as fault:  # told by the main thread
            self.fault = fault

    def one(self, number):
        answer = self.at.upload(self.body, query(number))
        if answer.status != 201:
            need(400 <= answer.status < 500, answer)
            problem = answer.json
            need(answer.headers["content-type"] == "application/problem+json"
                 and problem["status"] == answer.status and problem["detail"], answer)
            self.refused[problem["code"]] = self.refused.get(problem["code"], 0) + 1
            return
        self.taken += 1
        capture = answer.json
        self.check_health(capture["id"])
        for analysis in capture.get("analyses", ()):
            ended = self.at.wait_for_end(analysis["id"])
            need(ended["state"] in ("done", "failed"), ended)
            self.failed += ended["state"] == "failed"

    def check_health(self, capture):
        end = time.monotonic() + harness.PATIENCE_S
        while True:
            health = self.at.get(f"/v1/captures/{capture}").json["health"]
            if health["state"] in ("done", "failed"):
                break
            need(time.monotonic() < end, "health does not end:", health)
            time.sleep(0.02)
        self.unhealthy += health["state"] == "failed"
        need(health["state"] == "done" or health["problem"]["detail"], health)


class Honest(threading.Thread):
    """Uploads a tone of its own and checks its figures, over and over."""

    def __init__(self, daemon, number, over):
        super().__init__()
        self.at, self.over = daemon, over
        self.frequency_hz, self.level_dbfs = 997.0 + 500 * number, -1.0 - 3 * number
        # In closed form: powers of harmonics add.
        harmonics = ((2, -60.0 - number), (3, -70.0 + number))
        self.thd_db = 10 * math.log10(sum(10 ** (level / 10) for _, level in harmonics))
        self.body = waves.wav(waves.tone(self.frequency_hz, self.level_dbfs, 2,
                                         harmonics=harmonics, noise_dbfs=-110, seed=number))
        self.measured, self.fault = 0, None

    def run(self):
        try:
            while not self.over.is_set() or self.measured == 0:
                self.one()
        except Exception as fault:  # told by the main thread
            self.fault = fault

    def one(self):
        answer = self.at.upload(self.body)
        need(answer.status == 201, answer)
        capture = answer.json["id"]
        analysis = self.at.analyse(capture)
        ended = self.at.wait_for_end(analysis)
        need(ended["state"] == "done", ended)
        warnings = self.at.get(f"/v1/captures/{capture}").json["warnings"]
        need(not warnings, "a clean tone is warned of:", warnings)
        result = self.at.get(f"/v1/analyses/{analysis}/result").json
        figures = result["channels"][0]["figures"]
        for name, want, within in (("fundamental_frequency", self.frequency_hz, 0.001),
                                   ("fundamental_level", self.level_dbfs, 0.001),
                                   ("thd", self.thd_db, 0.01)):
            got = figures[name]["value"]
            need(abs(got - want) <= within, name, "is", got, "not", want)
        self.measured += 1


def resident_kib(daemon):
    status = pathlib.Path(f"/proc/{daemon.process.pid}/status").read_text(encoding="ascii")
    return int(re.search(r"^VmRSS:\s*(\d+)", status, re.M).group(1))


def is_sanitized(daemon):
    maps = pathlib.Path(f"/proc/{daemon.process.pid}/maps").read_text(encoding="utf-8")
    return re.search(r"lib[at]san", maps) is not None


def worker_deaths(daemon):
    """Whatever ended a worker but the end of its share of jobs."""
    counters = re.findall(r"^(residuum_worker_\w+_total) (\d+)", daemon.get("/metrics").body.decode(),
                          re.M)
    need(len(counters) >= 3, counters)
    return {name: int(count) for name, count in counters
            if int(count) and name != "residuum_worker_retirements_total"}


class Numbers:
    """0, 1, 2 … count − 1, each to one of the threads; the memory is looked at half-way."""

    def __init__(self, count, half_way):
        self.lock, self.next, self.count, self.half_way = threading.Lock(), 0, count, half_way

    def __iter__(self):
        while True:
            with self.lock:
                number = self.next
                self.next += 1
                if number == self.count // 2:
                    self.half_way()
            if number >= self.count:
                return
            yield number


def tell_fault(thread):
    if thread.fault and isinstance(thread, Attacker):
        with tempfile.NamedTemporaryFile(prefix="residuum-hostile-", delete=False) as file:
            file.write(thread.body or b"")
        print(f"mutation {thread.words}, kept in {file.name}", file=sys.stderr)
    if thread.fault:
        raise thread.fault


def attack(daemon, asked):
    """All uploads; gives the attackers and the honest."""
    memory, over = [], threading.Event()
    numbers = Numbers(asked.uploads, lambda: memory.append(resident_kib(daemon)))
    mutator = mutations.Mutator(asked.seed)
    attackers = [Attacker(daemon, mutator, numbers) for _ in range(ATTACKERS)]
    honest = [Honest(daemon, number, over) for number in range(HONEST)]
    for thread in attackers + honest:
        thread.start()
    for thread in attackers:
        thread.join()
    over.set()
    for thread in honest:
        thread.join()
    for thread in attackers + honest:
        tell_fault(thread)
    growth_kib = resident_kib(daemon) - memory[0]
    need(is_sanitized(daemon) or growth_kib < GROWTH_KIB, "grew by", growth_kib, "KiB")
    return attackers, honest, growth_kib


def only(daemon, asked):
    words, body = mutations.Mutator(asked.seed).make(asked.only)
    print(words, file=sys.stderr)
    answer = daemon.upload(body, query(asked.only))
    print(answer.status, answer.body.decode())
    if answer.status == 201:
        ended = daemon.wait_for_end(daemon.analyse(answer.json["id"]))
        print(ended, daemon.get(f"/v1/captures/{answer.json['id']}").body.decode())


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--uploads", type=int, default=SHORT_UPLOADS)
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(1 << 32))
    parser.add_argument("--only", type=int)
    asked = parser.parse_args()
    print(f"programs under test: {harness.BIN}; --uploads {asked.uploads} --seed {asked.seed}",
          file=sys.stderr)
    daemon = harness.Daemon("--workers", "2")
    if asked.only is not None:
        only(daemon, asked)
        daemon.stop()
        return 0
    attackers, honest, growth_kib = attack(daemon, asked)
    need(daemon.process.poll() is None, "the daemon died:", daemon.log())
    health = daemon.get("/v1/health")
    need(health.status == 200 and health.json["ready"], health)
    need(not worker_deaths(daemon), "workers died:", worker_deaths(daemon), daemon.log())
    daemon.stop()
    refused = {}
    for code, count in itertools.chain(*(attacker.refused.items() for attacker in attackers)):
        refused[code] = refused.get(code, 0) + count
    taken, unhealthy, failed = (sum(getattr(attacker, name) for attacker in attackers)
                                for name in ("taken", "unhealthy", "failed"))
    need(taken + sum(refused.values()) == asked.uploads, "uploads without an answer")
    print(f"{asked.uploads} mutated uploads: {taken} taken, {unhealthy} of them not decodable, "
          f"{failed} analyses of them failed, refused {refused}; "
          f"{sum(client.measured for client in honest)} right answers to {HONEST} honest "
          f"clients; workers lost 0; the daemon grew by {growth_kib} KiB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
