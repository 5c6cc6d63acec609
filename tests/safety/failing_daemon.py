"""The daemon with a decision that fails when a file appears: `failing_daemon HOUSE.toml HOW TRIGGER`.

HOW is `loop` (Python code without end, which gives the interpreter's lock away now and then), `compute` (a
sum without end, which does not: all of it is one call into C), `c_call` (a regular expression without end,
which does not either) or `raise`. Everything else is the program itself. Beside TRIGGER it writes, when it
begins to fail, the instant to TRIGGER.began; and from another thread, again and again, the instant to
TRIGGER.pulse: that thread stands still while the lock is held, which is how a test knows that it is.
"""

import asyncio
import os
import re
import sys
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

from mistd.app.cli import run_house
from mistd.app.config_file import load_config
from mistd.app.wiring import Surroundings, machine
from mistd.core.decide import decide
from mistd.core.house import Decision, House
from mistd.core.observations import Observations

PULSE_S = 0.01


def loop() -> NoReturn:
    count = 0
    while True:
        count += 1


def compute() -> NoReturn:
    sum(range(10**12))  # hours
    raise AssertionError("it came to an end")


def call_c() -> NoReturn:
    re.match(r"(a+)+$", "a" * 60 + "b")  # 2 to the power of 60 ways to fail, all in one call
    raise AssertionError("it came to an end")


def fail() -> NoReturn:
    raise RuntimeError("a fault in the decision, as ordered")


WAYS: Mapping[str, Callable[[], NoReturn]] = {
    "loop": loop,
    "compute": compute,
    "c_call": call_c,
    "raise": fail,
}


def main() -> None:
    """Run the house until it is made to fail."""
    file, how, trigger = sys.argv[1], sys.argv[2], Path(sys.argv[3])
    began, pulse = trigger.with_suffix(".began"), trigger.with_suffix(".pulse")

    def failing(house: House, observations: Observations, now_s: float) -> Decision:
        if trigger.exists():
            began.write_text(repr(time.monotonic()))
            WAYS[how]()
        return decide(house, observations, now_s)

    threading.Thread(target=beat, args=(pulse,), daemon=True).start()
    sys.exit(run_house(load_config(Path(file)), with_decision(failing), "info", asyncio.new_event_loop))


def beat(pulse: Path) -> None:
    descriptor = os.open(pulse, os.O_WRONLY | os.O_CREAT)
    while True:
        os.pwrite(descriptor, f"{time.monotonic():20.6f}".encode(), 0)  # one call: never half an instant
        time.sleep(PULSE_S)


def with_decision(failing: Any) -> Callable[[], Surroundings]:
    return lambda: replace(machine(), decide=failing)


if __name__ == "__main__":
    main()
