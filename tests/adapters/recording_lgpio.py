"""A stand-in for the `lgpio` module that writes down what happens to each line.

It answers the calls that gpiozero's lgpio pins make for plain outputs, as the source of lgpio 0.2.2 does
(lgGpio.c): an output claimed as output again is left as it is, level included; a claim in the other direction
frees the line first; a line of another handle or program is busy; closing the chip frees what it held. A line
that was let go keeps its last level, as on present boards.

It does not know timing, edges in, PWM or groups: gpiozero asking for one of those is an AttributeError.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import NamedTuple

import pytest

A_BOARD_OF_2019 = 0xC03111  # revision code of a model 4B
ANOTHER_PROGRAM = -1  # the handle of a line that is held outside this process


class LineEvent(NamedTuple):
    """One thing that happened to one line."""

    what: str  # claim_input, claim_output, write, read, free
    pin: int
    level: int | None = None


class LgpioError(Exception):
    """lgpio's error: a bare Exception whose text is the repr of its value."""

    def __init__(self, value: str) -> None:
        super().__init__(value)
        self.value = value

    def __str__(self) -> str:
        return repr(self.value)


class RecordingLgpio(ModuleType):
    """lgpio on lines that exist only here."""

    error = LgpioError
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3
    SET_PULL_UP, SET_PULL_DOWN, SET_PULL_NONE = 32, 64, 128
    GPIO_IS_OUT = 1 << 1

    def __init__(self) -> None:
        super().__init__("lgpio")
        self.events: list[LineEvent] = []
        self.levels: dict[int, int] = {}  # what a meter on the pin would show
        self.handles: set[int] = set()
        self.held_by: dict[int, int] = {}  # handle that holds each line
        self.outputs: set[int] = set()
        self.failures: dict[tuple[str, int], str] = {}  # (what, pin) that is to fail, with lgpio's text
        self.stuck: dict[int, int] = {}  # level that a pin shows whatever is written to it
        self.is_chip_missing = False

    def events_of(self, pin: int) -> list[LineEvent]:
        return [event for event in self.events if event.pin == pin]

    def driven_levels(self, pin: int) -> list[int]:
        """Every level that was put on the pin as an output, in order."""
        return [
            event.level for event in self.events_of(pin) if event.level is not None and event.what != "read"
        ]

    def gpiochip_open(self, _gpiochip: int) -> int:
        if self.is_chip_missing:
            raise LgpioError("can not open gpiochip")
        handle = len(self.handles)
        self.handles.add(handle)
        return handle

    def gpiochip_close(self, handle: int) -> int:
        for pin in [pin for pin, holder in self.held_by.items() if holder == handle]:
            self._free(pin)
        return 0

    def gpio_claim_input(self, handle: int, pin: int, _flags: int = 0) -> int:
        if self.held_by.get(pin) == handle and pin not in self.outputs:
            return 0
        self._take(handle, pin)
        self._note("claim_input", pin)
        return 0

    def gpio_claim_output(self, handle: int, pin: int, level: int = 0, _flags: int = 0) -> int:
        if self.held_by.get(pin) == handle and pin in self.outputs:
            return 0
        self._take(handle, pin)
        self._note("claim_output", pin, level)
        self.outputs.add(pin)
        self.levels[pin] = level
        return 0

    def gpio_write(self, handle: int, pin: int, level: int) -> int:
        self._refuse_unless_held(handle, pin)
        self._note("write", pin, int(level))
        self.levels[pin] = int(level)
        return 0

    def gpio_read(self, handle: int, pin: int) -> int:
        self._refuse_unless_held(handle, pin)
        level = self.stuck.get(pin, self.levels.get(pin, 0))
        self._note("read", pin, level)
        return level

    def gpio_get_mode(self, _handle: int, pin: int) -> int:
        return self.GPIO_IS_OUT if pin in self.outputs else 0

    def _take(self, handle: int, pin: int) -> None:
        holder = self.held_by.get(pin, handle)
        if holder != handle:
            raise LgpioError("GPIO busy")
        if pin in self.held_by:
            self._free(pin)
        self.held_by[pin] = handle

    def _free(self, pin: int) -> None:
        self._note("free", pin)
        self.outputs.discard(pin)
        del self.held_by[pin]

    def _refuse_unless_held(self, handle: int, pin: int) -> None:
        """Stricter than lgpio, which would claim the line by itself."""
        if self.held_by.get(pin) != handle:
            raise LgpioError("GPIO not allocated")

    def _note(self, what: str, pin: int, level: int | None = None) -> None:
        if (what, pin) in self.failures:
            raise LgpioError(self.failures[what, pin])
        self.events.append(LineEvent(what, pin, level))


@contextmanager
def standing_in_for_lgpio(revision: Callable[[], int] = lambda: A_BOARD_OF_2019) -> Iterator[RecordingLgpio]:
    """Put a fresh stand-in where `import lgpio` finds it, on a machine that gpiozero takes for a board."""
    recording = RecordingLgpio()
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "lgpio", recording)
        patch.setattr("gpiozero.pins.local.get_pi_revision", revision)
        with forgotten_lgpio_pins():
            yield recording


@contextmanager
def forgotten_lgpio_pins() -> Iterator[None]:
    """Have gpiozero's lgpio pins imported afresh, here and afterwards: they keep the lgpio first found."""
    sys.modules.pop("gpiozero.pins.lgpio", None)
    try:
        yield
    finally:
        sys.modules.pop("gpiozero.pins.lgpio", None)
