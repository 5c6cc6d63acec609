"""What the tests of the log share: a pipe read when the test says so, and programs run to their end."""

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
LONGEST_WAIT_S = 20.0


class Pipe:
    """A pipe whose writing end is the log's stream, and whose reading end is read when the test says so."""

    def __init__(self) -> None:
        reading, writing = os.pipe()
        self.reader = os.fdopen(reading, "rb")
        self.stream = os.fdopen(writing, "w")

    def read_all(self) -> list[str]:
        self.stream.close()
        with self.reader:
            return self.reader.read().decode().splitlines()


def run_to_the_end(program: str, *arguments: str) -> tuple[str, str]:
    """What a program of ours said on both its streams, having ended well."""
    command = [sys.executable, "-W", "error", "-c", program, *arguments]
    done = subprocess.run(
        command, cwd=ROOT, check=True, capture_output=True, text=True, timeout=LONGEST_WAIT_S
    )
    return done.stdout, done.stderr
