#!/usr/bin/python3
"""One durable change of the database against an append with its fdatasync; 64 clients against
one."""

import os
import statistics
import subprocess

import pairs


def main():
    program = os.path.join(os.environ["BENCH_PROGRAMS"], "bench_inserts")
    folder = os.path.join(os.environ["BENCH_DATA"], "inserts")
    os.makedirs(folder)
    printed = subprocess.run([program, folder], input="\n" * (pairs.PAIRS + 1),
                             capture_output=True, text=True, check=True).stdout
    lines = [[float(word) for word in line.split()] for line in printed.splitlines()][1:]
    one, bare, many = (statistics.median(column) for column in zip(*lines))
    pairs.row("a durable analysis, one client", f"{one * 1e6:.0f} µs",
              f"append + fdatasync {bare * 1e6:.0f} µs",
              statistics.median(line[0] / line[1] for line in lines), at_most=1.3)
    pairs.row("durable analyses, 64 clients", f"{1 / many:.0f} /s", f"one client {1 / one:.0f} /s",
              statistics.median(line[0] / line[2] for line in lines), at_least=4)


if __name__ == "__main__":
    main()
