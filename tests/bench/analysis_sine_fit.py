#!/usr/bin/python3
"""One pass of the sine fit against a sine and a cosine for each sample."""

import os
import statistics
import subprocess

import pairs

LINES = 15  # each is a pair timed within one process; the first warms up


def main():
    program = os.path.join(os.environ["BENCH_PROGRAMS"], "bench_sine_fit")
    printed = subprocess.run([program], input="\n" * (LINES + 1), capture_output=True,
                             text=True, check=True).stdout
    lines = [[float(word) for word in line.split()] for line in printed.splitlines()][1:]
    ours = statistics.median(line[0] for line in lines)
    reference = statistics.median(line[1] for line in lines)
    ratio = statistics.median(line[0] / line[1] for line in lines)
    residual_db = lines[0][2]
    pairs.row("one pass of the sine fit, 2^20 samples", pairs.milliseconds(ours),
              f"sincos per sample {pairs.milliseconds(reference)}", ratio, at_most=0.1)
    pairs.row("what the fit leaves of an exact tone", f"{residual_db:.1f} dB", "-300 dB",
              residual_db / -300, at_least=1)


if __name__ == "__main__":
    main()
