"""The other side of a comparison, kept running as the worker is."""

import subprocess


class OtherProgram:
    """A process that answers each line with the seconds that it took."""

    def __init__(self, command):
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                        text=True)

    def seconds(self, line=""):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()
        return sum(float(word) for word in self.process.stdout.readline().split()[:2])

    def stop(self):
        self.process.stdin.close()
        self.process.wait()
