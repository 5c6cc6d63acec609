"""What each outside library that the daemon loads costs, in milliseconds and memory.

Each step is a fresh process that imports everything up to it, in the order in which the daemon comes to load
them; what counts is the difference to the step before, of the best of several processes. Memory is private:
what the process alone would give back.
"""

import json
import subprocess
import sys

import click

from tests.benchmarks.figures import Machine, table

STEPS = (
    ("python", ""),
    ("asyncio", "asyncio"),
    ("click", "click"),
    ("zoneinfo", "zoneinfo"),
    ("pydantic", "pydantic"),
    ("house's file: mistd.app.config_file", "mistd.app.config_file"),
    ("structlog: mistd.app.log_setup", "mistd.app.log_setup"),
    ("astral: mistd.app.sun", "mistd.app.sun"),
    ("aiomqtt and paho: mistd.adapters.mqtt.client", "mistd.adapters.mqtt.client"),
    ("sqlite3: mistd.adapters.sqlite", "mistd.adapters.sqlite.store"),
    ("apscheduler: mistd.app.housekeeping", "mistd.app.housekeeping"),
    ("the rest: mistd.app.wiring, mistd.app.cli", "mistd.app.wiring, mistd.app.cli"),
)
KEEPER = (("the keeper: mistd.keeper.process", "mistd.keeper.process, mistd.adapters.simulated_outputs"),)
PROGRAM = """
import time
begun = time.perf_counter()
{imports}
taken = time.perf_counter() - begun
private = sum(int(line.split()[1]) for line in open("/proc/self/smaps_rollup") if line.startswith("Private_"))
import json, sys
known = ("rich", "ssl", "email", "http", "multiprocessing", "uuid")
suspects = [name for name in known if name in sys.modules]
print(json.dumps([taken * 1000.0, private / 1024.0, len(sys.modules), suspects]))
"""


def cost(modules: str, runs: int) -> tuple[float, float, int, list[str]]:
    """Milliseconds, private MiB and number of modules after some imports, and which known heavy ones came."""
    program = PROGRAM.format(imports=f"import {modules}" if modules else "")
    answers = [
        json.loads(subprocess.run([sys.executable, "-c", program], check=True, capture_output=True).stdout)
        for _ in range(runs)
    ]
    ms, mib, count, suspects = min(answers)
    return ms, mib, count, suspects


@click.command(help=__doc__)
@click.option("--runs", default=5, show_default=True, help="Processes for each step; the fastest counts.")
def main(runs: int) -> None:
    machine, rows, so_far = Machine(), [], ""
    before_ms, before_mib, before_count, before_suspects = 0.0, 0.0, 0, list[str]()
    for name, modules in STEPS:
        so_far = ", ".join(part for part in (so_far, modules) if part)
        ms, mib, count, suspects = cost(so_far, runs)
        new = ", ".join(sorted(set(suspects) - set(before_suspects)))
        rows.append(
            [name, f"{ms - before_ms:+.0f}", f"{mib - before_mib:+.1f}", f"{count - before_count:+d}", new]
        )
        before_ms, before_mib, before_count, before_suspects = ms, mib, count, suspects
    rows.append(["all of it", f"{before_ms:.0f}", f"{before_mib:.1f}", str(before_count), ""])
    for name, modules in KEEPER:
        ms, mib, count, suspects = cost(modules, runs)
        rows.append([name, f"{ms:.0f}", f"{mib:.1f}", str(count), ", ".join(suspects)])
    print(table(["import", "ms", "private MiB", "modules", "brings"], rows))
    print(f"\n{machine.said()}")


if __name__ == "__main__":
    main()
