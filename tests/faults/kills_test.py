"""kill -9 of the daemon and of its workers at random moments of uploads, analyses and
removals: what was acknowledged is never lost, no file is left without a row, and deaths of
the daemon count no attempt.

Lost is what was acknowledged (201, 202) and is, after the last start, neither there nor, of
analyses, done or failed with worker_crashed after two deaths of its worker. `--rounds N` makes
more rounds than the short run, `--seed N` repeats one.
"""

import argparse
import http.client
import os
import pathlib
import random
import shutil
import signal
import sys
import tempfile
import threading
import time

from ledger import Ledger, harness, need

import waves  # beside the harness

GONE = (ConnectionError, http.client.HTTPException, TimeoutError)
SHORT_ROUNDS = 6
TESTERS = 3
MEASUREMENTS = ("distortion", "noise")  # of a tone in noise, each comes to its end
PAUSE_S = 0.1  # at most, after each thing that a tester does
# Long enough that workers are at it when they are killed.
BODIES = [waves.wav(waves.tone(duration_s=duration_s, channels=2, noise_dbfs=-90), bits=16)
          for duration_s in (1.2, 2.5, 6)]


class Tester(threading.Thread):
    """Uploads, orders and removes its own until the daemon is gone."""

    def __init__(self, daemon, ledger, seed):
        super().__init__()
        self.at, self.ledger = daemon, ledger
        self.random = random.Random(seed)
        self.own = []
        self.fault = None

    def run(self):
        try:
            while True:
                self.one_thing()
                time.sleep(self.random.uniform(0, PAUSE_S))
        except GONE:
            pass
        except Exception as fault:  # told by the main thread
            self.fault = fault

    def one_thing(self):
        choice = self.random.random()
        if choice < 0.5 or not self.own:
            body = self.random.choice(BODIES)  # and another last sample
            answer = self.ledger.upload(self.at, body[:-8] + self.random.randbytes(8))
            need(answer.status == 201, answer)
            self.own.append(answer.json["id"])
        elif choice < 0.8:
            capture = self.random.choice(self.own)
            measurement = self.random.choice(MEASUREMENTS)
            answer = self.ledger.analyse(self.at, capture, measurement)
            need(answer.status == 202 or
                 answer.status == 409 and capture in self.ledger.quarantined(), answer)
        else:
            self.remove(self.own.pop(self.random.randrange(len(self.own))))

    def remove(self, capture):
        """Without an answer it may be gone or not, with its analyses: it is not counted on
        any more before it is asked for."""
        sha256 = self.ledger.captures.pop(capture)
        analyses = [analysis for analysis, of in list(self.ledger.analyses.items())
                    if of == capture]
        for analysis in analyses:
            del self.ledger.analyses[analysis]
        answer = self.at.ask("DELETE", f"/v1/captures/{capture}")
        need(answer.status in (204, 409), answer)
        if answer.status == 204:
            self.ledger.removed.add(capture)
        else:  # an analysis has not ended
            self.ledger.captures[capture] = sha256
            self.ledger.analyses.update(dict.fromkeys(analyses, capture))


def kill_workers(daemon, chance, deaths):
    """Kills some of the workers, or none; more deaths of workers may have been counted."""
    for pid in daemon.worker_pids():
        if chance.random() < 0.5:
            try:
                os.kill(pid, signal.SIGKILL)
                deaths.append(pid)
            except ProcessLookupError:
                pass


def one_round(state, ledger, chance, deaths):
    daemon = harness.Daemon("--workers", "2", state=state)
    ledger.check_start(daemon)
    before = ledger.attempts()
    testers = [Tester(daemon, ledger, chance.random()) for _ in range(TESTERS)]
    for tester in testers:
        tester.start()
    only_daemon = chance.random() < 0.5
    try:
        for _ in range(chance.randrange(1, 4)):
            time.sleep(chance.uniform(0, 0.3))
            if not only_daemon:
                kill_workers(daemon, chance, deaths)
        need(daemon.process.poll() is None, "died by itself:", daemon.log())
    finally:  # also ends the testers
        daemon.process.kill()
        daemon.process.wait()
    for tester in testers:
        tester.join()
        if tester.fault:
            raise tester.fault
    if only_daemon:
        for job, count in ledger.attempts().items():
            need(count == before.get(job, 0), "an attempt was counted:", job)
    daemon.clean_up()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--rounds", type=int, default=SHORT_ROUNDS)
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(1 << 32))
    asked = parser.parse_args()
    print(f"programs under test: {harness.BIN}; --rounds {asked.rounds} --seed {asked.seed}",
          file=sys.stderr)
    chance = random.Random(asked.seed)
    state = pathlib.Path(tempfile.mkdtemp(prefix="residuum-kills-"))
    ledger, deaths = Ledger(state), []
    for _ in range(asked.rounds):
        one_round(state, ledger, chance, deaths)
    daemon = harness.Daemon("--workers", "2", state=state)
    ledger.check_start(daemon)
    crashed = ledger.check_results(daemon)
    attempts, quarantined = ledger.attempts(), ledger.quarantined()
    for analysis in crashed:
        need(attempts[analysis] == 2 or ledger.analyses[analysis] in quarantined,
             "crashed after other than two deaths:", analysis)
    need(sum(attempts.values()) <= len(deaths), "more deaths counted than there were")
    daemon.stop()
    print(f"{asked.rounds} rounds, {len(deaths)} workers killed: {len(ledger.captures)} captures "
          f"and {len(ledger.analyses)} analyses acknowledged, {len(ledger.removed)} removed; "
          f"{len(crashed)} worker_crashed, {len(quarantined)} quarantined; lost 0")
    shutil.rmtree(state)
    return 0


if __name__ == "__main__":
    sys.exit(main())
