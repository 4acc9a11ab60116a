#!/usr/bin/python3
"""A request to a warm worker and back, against a bare ping-pong between two processes. All on
one processor: waking a process on another one costs ten times as much, and where each happens to
run would decide the ratio."""

import os
import statistics
import subprocess

import pairs

LINES = 31  # each is a pair timed within one process; the first warms up


def main():
    program = os.path.join(os.environ["BENCH_PROGRAMS"], "bench_ping_pong")
    worker = os.path.join(os.environ["RESIDUUM_BIN"], "residuum-worker")
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    printed = subprocess.run([program, worker], input="\n" * (LINES + 1), capture_output=True,
                             text=True, check=True).stdout
    lines = [[float(word) for word in line.split()] for line in printed.splitlines()][1:]
    ours = statistics.median(line[0] for line in lines)
    reference = statistics.median(line[1] for line in lines)
    ratio = statistics.median(line[0] / line[1] for line in lines)
    pairs.row("dispatch to a warm worker", f"{ours * 1e6:.1f} µs",
              f"bare ping-pong {reference * 1e6:.1f} µs", ratio, at_most=3)


if __name__ == "__main__":
    main()
