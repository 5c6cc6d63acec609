"""Valves and pumps on the pins of a board, through gpiozero.

Answers for: taking every pin at its shut level, driving it, reading its level back from the pin, and letting
it go. Every error of the libraries leaves here as a `LinesError` that says what to do next.

Does not know: what hangs on a line, how long it may stay open, or when it should shut.

The rule: a line is at its open level only while `drive` has opened it. A pin that is let go floats, so every
way out of here shuts first and lets go second.

gpiozero's pins are used, not its devices: a device lets its pin float when it is garbage collected. Nothing
here touches gpiozero's default factory, and no other factory is tried when the one asked for cannot be had.
"""

import atexit
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from mistd.ports.errors import LinesError


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputPin:
    """Where a line is wired, and which level opens it."""

    pin: int  # GPIO number of the chip, not the place on the header
    is_active_high: bool

    def level(self, *, is_open: bool) -> bool:
        """The level on the pin, True for high, that opens or shuts this line."""
        return is_open == self.is_active_high


class GpioOutputs:
    """Every output line of a house, on the pins of one board."""

    def __init__(self, lines: Mapping[str, OutputPin], factory: str) -> None:
        """Name the pins, touch none.

        Args:
            lines: the wiring of each line, by name.
            factory: "lgpio" for the pins of this board, "mock" for gpiozero's pretended ones.

        Raises:
            LinesError: no such factory.
        """
        if factory not in FACTORIES:
            raise LinesError(f'no pin factory is called "{factory}": name one of {", ".join(FACTORIES)}')
        self._lines = dict(lines)
        self._new_factory = FACTORIES[factory]
        self._owner = _Owner()
        self._pins: dict[str, Any] = {}
        self._held: ExitStack | None = None

    def claim(self) -> None:
        """Take every line at its shut level, or none."""
        if self._held is not None:
            raise LinesError("these lines are claimed already: release them before claiming them again")
        with _library_errors_translated(BOARD), ExitStack() as undo:
            factory = self._new_factory()
            undo.callback(factory.close)
            pins = {line: self._claimed_shut(line, factory, undo) for line in self._lines}
            # Without this a program that ends by an uncaught error would leave a valve open.
            atexit.register(self.release)
            undo.callback(atexit.unregister, self.release)
            self._pins, self._held = pins, undo.pop_all()

    def drive(self, line: str, *, is_open: bool) -> None:
        """Set one line's level."""
        pin = self._held_pin(line)
        with _library_errors_translated(self._place(line)):
            pin.state = self._lines[line].level(is_open=is_open)

    def read_back(self) -> Mapping[str, bool]:
        """The level on each pin now, as open or shut."""
        if self._held is None:
            raise LinesError("no line is claimed, so none can be read")
        return {line: self._reads_open(line) for line in self._pins}

    def release(self) -> None:
        """Shut every line and read it back; when all are done, let the pins go.

        Raises:
            LinesError: a line could not be shut; the others were, and all were let go.
        """
        if self._held is None:
            return
        troubles = [trouble for line in self._pins if (trouble := self._trouble_shutting(line))]
        held, self._held, self._pins = self._held, None, {}
        try:
            with _library_errors_translated(BOARD):
                held.close()
        except LinesError as error:
            troubles.append(str(error))
        if troubles:
            raise LinesError("; ".join(troubles))

    def _claimed_shut(self, line: str, factory: Any, undo: ExitStack) -> Any:
        """The line's pin, an output at its shut level; what it takes to let it go is left in `undo`."""
        wired = self._lines[line]
        with _library_errors_translated(self._place(line)):
            factory.reserve_pins(self._owner, wired.pin)
            undo.callback(factory.release_pins, self._owner, wired.pin)
            pin = factory.pin(wired.pin)
            undo.callback(pin.close)
            pin.output_with_state(wired.level(is_open=False))
        return pin

    def _held_pin(self, line: str) -> Any:
        if line not in self._lines:
            raise LinesError(f'no output line is called "{line}": the lines are {", ".join(self._lines)}')
        if self._held is None:
            raise LinesError(f"{self._place(line)} is not claimed, so it cannot be driven")
        return self._pins[line]

    def _reads_open(self, line: str) -> bool:
        with _library_errors_translated(self._place(line)):
            return bool(self._pins[line].state) == self._lines[line].level(is_open=True)

    def _trouble_shutting(self, line: str) -> str | None:
        """What went wrong in shutting the line, in words, None when it reads shut."""
        try:
            self.drive(line, is_open=False)
            if not self._reads_open(line):
                return None
        except LinesError as error:
            return str(error)
        return f"{self._place(line)} reads open though driven shut: shut the hand valve, look at the wiring"

    def _place(self, line: str) -> str:
        return f"pin {self._lines[line].pin} ({line})"


class _Owner:
    """Who holds a reservation, as gpiozero's book of pins in use wants it."""

    def _conflicts_with(self, other: object) -> bool:  # noqa: ARG002  asked by gpiozero with the present holder
        return True


def _lgpio_factory() -> Any:
    """A factory on the board's own chip, whose pins become outputs at the level they are asked for."""
    # Imported here: gpiozero loads all it has, and a keeper on simulated lines needs none of it.
    with _fifo_out_of_the_way():
        import lgpio  # noqa: PLC0415
    from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin  # noqa: PLC0415

    class PinClaimedAtLevel(LGPIOPin):  # type: ignore[misc]  # gpiozero has no types
        """A pin whose first level as an output is the one asked for, not low."""

        def output_with_state(self, state: bool) -> None:
            lgpio.gpio_claim_output(self.factory._handle, self._number, int(state))

    factory = LGPIOFactory()
    # All its factories share one dict: closing a refused second owner's would let the first one's pins float.
    factory.pins = {}
    factory.pin_class = PinClaimedAtLevel
    return factory


def _mock_factory() -> Any:
    """A factory of pretended pins, which share the book of pins in use with the real ones."""
    # Imported here for the reason given in `_lgpio_factory`.
    from gpiozero.pins.local import LocalPiFactory  # noqa: PLC0415
    from gpiozero.pins.mock import MockFactory  # noqa: PLC0415

    factory = MockFactory()
    # Each mock factory has a book of its own otherwise, and two owners of one pin would never meet.
    factory._reservations, factory._res_lock = LocalPiFactory._reservations, LocalPiFactory._res_lock
    return factory


FACTORIES: Mapping[str, Callable[[], Any]] = MappingProxyType(
    {"lgpio": _lgpio_factory, "mock": _mock_factory}
)


@contextmanager
def _fifo_out_of_the_way() -> Iterator[None]:
    """Let lgpio, while it is imported, write its FIFO into a private directory that is gone afterwards.

    lgpio changes the working directory to LG_WD and opens the FIFO there; once open, its name is not needed.
    """
    # Imported here: it takes as long to load as all the rest of this module.
    import tempfile  # noqa: PLC0415

    working_directory, before = os.getcwd(), os.environ.get("LG_WD")  # noqa: PTH109  to go back to, not to join
    with tempfile.TemporaryDirectory(prefix="mistd-lgpio-") as private:
        os.environ["LG_WD"] = private
        try:
            yield
        finally:
            os.chdir(working_directory)
            if before is None:
                del os.environ["LG_WD"]
            else:
                os.environ["LG_WD"] = before


BOARD = "this board's pin header"
# What a grower is told of a pin or of the board, by the name or the text of a library's error.
WORDS: Mapping[str, str] = MappingProxyType(
    {
        "GPIO busy": "is held by another program: stop it, or give the line another pin",
        "GPIOPinInUse": "is held by this program already: give every line a pin of its own",
        "PinInvalidPin": "is not on this board: give the line one of the board's GPIO numbers",
        "can not open gpiochip": (
            "cannot be opened: see that /dev/gpiochip0 exists and that mistd's user may write to it"
        ),
        "PinUnknownPi": (
            "was not found, this is no Raspberry Pi: run mistd on one, or set the driver to simulated"
        ),
        "ModuleNotFoundError": (
            "needs a library that is not installed: install mistd[pins], or set the driver to simulated"
        ),
    }
)
OTHER_WORDS = "is in trouble: restart mistd; if it comes back, look at the wiring and the system log"


@contextmanager
def _library_errors_translated(place: str) -> Iterator[None]:
    """Turn any error of the libraries into a LinesError that names the place and the next step."""
    try:
        yield
    except _library_errors() as error:
        text = f"{type(error).__name__}: {error}"
        words = next((words for sign, words in WORDS.items() if sign in text), OTHER_WORDS)
        raise LinesError(f"{place} {words} ({text})") from error


def _library_errors() -> tuple[type[Exception], ...]:
    """The errors of those libraries that are loaded; lgpio's own is a bare Exception."""
    loaded = (("gpiozero", "GPIOZeroError"), ("lgpio", "error"))
    return (
        ImportError,
        OSError,
        *(getattr(sys.modules[library], name) for library, name in loaded if sys.modules.get(library)),
    )
