"""What a process costs, by the kernel's own counts.

Answers for: memory (PSS: what is shared is divided among those who share it), processor time, bytes written
to disk. Linux only. Does not know which processes matter.
"""

import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

MIB = 1024.0 * 1024.0
KIB = 1024.0
TICKS_PER_S = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What a process has cost up to now."""

    cpu_s: float
    written_bytes: int  # handed to a disk, or about to be

    def since(self, before: "Cost") -> "Cost":
        return Cost(cpu_s=self.cpu_s - before.cpu_s, written_bytes=self.written_bytes - before.written_bytes)


def cost(pid: int) -> Cost:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    user, system = int(fields[11]), int(fields[12])
    lines = Path(f"/proc/{pid}/io").read_text().splitlines()
    counts = {name: int(value) for name, value in (line.split(": ") for line in lines)}
    return Cost(cpu_s=(user + system) / TICKS_PER_S, written_bytes=counts["write_bytes"])


def pss_mib(pid: int) -> float:
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Pss:"):
            return int(line.split()[1]) * KIB / MIB
    raise AssertionError("the kernel does not tell the PSS of a process")


def summed_pss_mib(pids: Iterable[int]) -> float:
    return sum(pss_mib(pid) for pid in pids)
