"""What happens to each pin, call by call, on a stand-in for lgpio."""

import gc
import os
import subprocess
import sys
import weakref
from collections.abc import Iterator
from pathlib import Path

import gpiozero
import pytest

from mistd.adapters.gpio.outputs import GpioOutputs, OutputPin
from mistd.ports.errors import LinesError
from tests.adapters.recording_lgpio import (
    ANOTHER_PROGRAM,
    LineEvent,
    RecordingLgpio,
    forgotten_lgpio_pins,
    standing_in_for_lgpio,
)

ACTIVE_LOW = OutputPin(pin=17, is_active_high=False)
ACTIVE_HIGH = OutputPin(pin=22, is_active_high=True)
BOTH = {"mist-1": ACTIVE_LOW, "mist-2": ACTIVE_HIGH}


@pytest.fixture
def lgpio() -> Iterator[RecordingLgpio]:
    with standing_in_for_lgpio() as recording:
        yield recording


@pytest.fixture
def outputs(lgpio: RecordingLgpio) -> Iterator[GpioOutputs]:
    """Both lines, claimed."""
    outputs = GpioOutputs(BOTH, "lgpio")
    outputs.claim()
    yield outputs
    lgpio.failures.clear()
    lgpio.stuck.clear()
    outputs.release()


def test_an_active_low_line_is_claimed_high_and_nothing_is_written(
    lgpio: RecordingLgpio, outputs: GpioOutputs
) -> None:
    assert lgpio.events_of(17) == [
        LineEvent("claim_input", 17),
        LineEvent("free", 17),  # lgpio's own way from input to output
        LineEvent("claim_output", 17, 1),
    ]


def test_plain_gpiozero_pulses_an_active_low_line_open(lgpio: RecordingLgpio) -> None:
    """So the test above could fail: the stand-in does show a pulse where there is one."""
    from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415  only to be had while the stand-in is in place

    factory = LGPIOFactory()
    device = gpiozero.OutputDevice(17, active_high=False, initial_value=False, pin_factory=factory)

    assert lgpio.driven_levels(17) == [0, 1]
    device.close()
    factory.close()


def test_an_active_high_line_is_claimed_low(lgpio: RecordingLgpio, outputs: GpioOutputs) -> None:
    assert lgpio.driven_levels(22) == [0]


def test_open_is_low_on_an_active_low_line(lgpio: RecordingLgpio, outputs: GpioOutputs) -> None:
    outputs.drive("mist-1", is_open=True)

    assert lgpio.driven_levels(17) == [1, 0]
    assert lgpio.driven_levels(22) == [0]


def test_open_is_high_on_an_active_high_line(lgpio: RecordingLgpio, outputs: GpioOutputs) -> None:
    outputs.drive("mist-2", is_open=True)

    assert lgpio.driven_levels(17) == [1]
    assert lgpio.driven_levels(22) == [0, 1]


def test_read_back_tells_what_the_pin_shows_not_what_was_written(
    lgpio: RecordingLgpio, outputs: GpioOutputs
) -> None:
    lgpio.stuck[17] = 0

    assert outputs.read_back() == {"mist-1": True, "mist-2": False}


def test_release_shuts_and_reads_every_line_before_it_lets_any_go(
    lgpio: RecordingLgpio, outputs: GpioOutputs
) -> None:
    outputs.drive("mist-1", is_open=True)
    outputs.drive("mist-2", is_open=True)
    lgpio.events.clear()

    outputs.release()

    first_free = next(place for place, event in enumerate(lgpio.events) if event.what == "free")
    assert lgpio.events[:first_free] == [
        LineEvent("write", 17, 1),
        LineEvent("read", 17, 1),
        LineEvent("write", 22, 0),
        LineEvent("read", 22, 0),
    ]
    assert {event.what for event in lgpio.events[first_free:]} == {"free", "claim_input"}
    assert lgpio.held_by == {}


def test_released_lines_can_be_claimed_again(lgpio: RecordingLgpio, outputs: GpioOutputs) -> None:
    outputs.drive("mist-1", is_open=True)
    outputs.release()

    outputs.claim()

    assert outputs.read_back() == {"mist-1": False, "mist-2": False}
    assert lgpio.driven_levels(17) == [1, 0, 1, 1]


def test_released_outputs_are_not_kept_until_the_program_ends(lgpio: RecordingLgpio) -> None:
    outputs = GpioOutputs(BOTH, "lgpio")
    outputs.claim()
    kept = weakref.ref(outputs)

    outputs.release()

    del outputs
    gc.collect()
    assert kept() is None


def test_a_line_held_by_another_program_is_named_with_the_next_step(lgpio: RecordingLgpio) -> None:
    lgpio.held_by[17] = ANOTHER_PROGRAM

    with pytest.raises(LinesError) as refusal:
        GpioOutputs(BOTH, "lgpio").claim()

    assert str(refusal.value).startswith(
        "pin 17 (mist-1) is held by another program: stop it, or give the line another pin"
    )


def test_a_claim_that_fails_half_way_holds_nothing(lgpio: RecordingLgpio) -> None:
    """The first line had been claimed when the second was refused. The error, kept, reserves nothing."""
    lgpio.held_by[22] = ANOTHER_PROGRAM
    outputs = GpioOutputs(BOTH, "lgpio")
    with pytest.raises(LinesError) as refusal:
        outputs.claim()
    assert lgpio.driven_levels(17) == [1]
    assert lgpio.held_by == {22: ANOTHER_PROGRAM}
    with pytest.raises(LinesError, match="not claimed"):
        outputs.drive("mist-1", is_open=True)
    del lgpio.held_by[22]

    outputs.claim()

    assert refusal.value.__traceback__ is not None
    assert outputs.read_back() == {"mist-1": False, "mist-2": False}
    outputs.release()


def test_a_refused_second_owner_leaves_the_first_ones_pins_alone(
    lgpio: RecordingLgpio, outputs: GpioOutputs
) -> None:
    """gpiozero shares its pins among all factories: closing the second's would make the first's float."""
    outputs.drive("mist-1", is_open=True)
    lgpio.events.clear()

    with pytest.raises(LinesError, match="held by this program already"):
        GpioOutputs({"other": OutputPin(pin=27, is_active_high=True), **BOTH}, "lgpio").claim()

    assert {event.pin for event in lgpio.events} == {27}
    assert outputs.read_back() == {"mist-1": True, "mist-2": False}


def test_two_lines_on_one_pin_are_refused(lgpio: RecordingLgpio) -> None:
    with pytest.raises(
        LinesError, match=r"pin 17 \(twin\) is held by this program already: give every line a pin"
    ):
        GpioOutputs({"mist-1": ACTIVE_LOW, "twin": ACTIVE_LOW}, "lgpio").claim()

    assert lgpio.held_by == {}


def test_a_second_claim_by_the_owner_is_refused(outputs: GpioOutputs) -> None:
    with pytest.raises(LinesError, match="claimed already"):
        outputs.claim()


def test_a_pin_that_the_board_has_not_is_named(lgpio: RecordingLgpio) -> None:
    with pytest.raises(LinesError, match=r"pin 99 \(mist-1\) is not on this board"):
        GpioOutputs({"mist-1": OutputPin(pin=99, is_active_high=True)}, "lgpio").claim()


def test_a_write_that_fails_is_a_lines_error(lgpio: RecordingLgpio, outputs: GpioOutputs) -> None:
    lgpio.failures["write", 17] = "bad GPIO write"

    with pytest.raises(LinesError, match=r"pin 17 \(mist-1\) is in trouble.*bad GPIO write"):
        outputs.drive("mist-1", is_open=True)


def test_a_read_that_fails_is_a_lines_error(lgpio: RecordingLgpio, outputs: GpioOutputs) -> None:
    lgpio.failures["read", 22] = "bad GPIO read"

    with pytest.raises(LinesError, match=r"pin 22 \(mist-2\) is in trouble.*bad GPIO read"):
        outputs.read_back()


def test_release_shuts_the_other_lines_when_one_cannot_be_shut(
    lgpio: RecordingLgpio, outputs: GpioOutputs
) -> None:
    outputs.drive("mist-1", is_open=True)
    outputs.drive("mist-2", is_open=True)
    lgpio.failures["write", 17] = "bad GPIO write"

    with pytest.raises(LinesError, match=r"pin 17 \(mist-1\)"):
        outputs.release()

    assert lgpio.driven_levels(22) == [0, 1, 0]
    assert lgpio.held_by == {}


def test_release_says_which_line_reads_open_though_driven_shut(
    lgpio: RecordingLgpio, outputs: GpioOutputs
) -> None:
    lgpio.stuck[22] = 1

    with pytest.raises(LinesError, match=r"pin 22 \(mist-2\) reads open .*: shut the hand valve"):
        outputs.release()

    assert lgpio.held_by == {}


def test_a_pin_that_will_not_be_let_go_is_reported_after_the_others_were(
    lgpio: RecordingLgpio, outputs: GpioOutputs
) -> None:
    lgpio.failures["claim_input", 17] = "no more memory"
    lgpio.events.clear()

    with pytest.raises(LinesError, match="no more memory"):
        outputs.release()

    assert lgpio.levels == {17: 1, 22: 0}
    assert LineEvent("free", 22) in lgpio.events


@pytest.mark.parametrize("name", ["", "LGPIO", "native", "rpigpio", "default"])
def test_a_factory_that_is_not_known_is_refused(name: str) -> None:
    with pytest.raises(LinesError, match="name one of lgpio, mock"):
        GpioOutputs(BOTH, name)


def test_without_lgpio_no_other_factory_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", None)  # as if not installed
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")  # what gpiozero would fall back to by itself

    with forgotten_lgpio_pins(), pytest.raises(LinesError, match=r"install mistd\[pins\]"):
        GpioOutputs(BOTH, "lgpio").claim()

    assert gpiozero.Device.pin_factory is None


def test_gpiozeros_default_factory_is_never_made(outputs: GpioOutputs) -> None:
    outputs.drive("mist-1", is_open=True)

    assert gpiozero.Device.pin_factory is None


def test_a_machine_that_is_no_board_is_told_so() -> None:
    def no_revision() -> int:
        raise gpiozero.PinUnknownPi("unable to locate Pi revision")

    with standing_in_for_lgpio(no_revision), pytest.raises(LinesError, match="no Raspberry Pi"):
        GpioOutputs(BOTH, "lgpio").claim()


def test_a_chip_that_cannot_be_opened_is_told_so(lgpio: RecordingLgpio) -> None:
    lgpio.is_chip_missing = True

    with pytest.raises(LinesError, match=r"/dev/gpiochip0 exists and that mistd's user may write to it"):
        GpioOutputs(BOTH, "lgpio").claim()


LGPIO_ON_DISK = """
import os, sys
from pathlib import Path
from tests.adapters.recording_lgpio import RecordingLgpio

os.chdir(os.environ.get("LG_WD", os.getcwd()))
recording = RecordingLgpio()
recording.fifo = Path.cwd() / ".lgd-nfy0"
recording.fifo.touch()
sys.modules[__name__] = recording
"""


@pytest.mark.parametrize("is_set_before", [True, False])
def test_importing_lgpio_leaves_no_fifo_and_changes_neither_directory_nor_environment(
    lgpio: RecordingLgpio, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, is_set_before: bool
) -> None:
    """When imported, lgpio 0.2.2 changes into LG_WD, or stays where it is, and writes its FIFO there."""
    (tmp_path / "lgpio.py").write_text(LGPIO_ON_DISK)
    monkeypatch.delitem(sys.modules, "lgpio")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LG_WD", raising=False)
    if is_set_before:
        monkeypatch.setenv("LG_WD", str(tmp_path))
    environment = dict(os.environ)
    outputs = GpioOutputs(BOTH, "lgpio")

    outputs.claim()

    outputs.release()
    fifo = sys.modules["lgpio"].fifo
    assert fifo.name == ".lgd-nfy0"
    assert fifo.parent != tmp_path
    assert not fifo.parent.exists()
    assert Path.cwd() == tmp_path
    assert dict(os.environ) == environment
    assert not (tmp_path / ".lgd-nfy0").exists()


ENDS_BY_AN_ERROR = """
import atexit
from mistd.adapters.gpio.outputs import GpioOutputs, OutputPin
from tests.adapters.recording_lgpio import standing_in_for_lgpio

with standing_in_for_lgpio() as lgpio:
    atexit.register(lambda: print(*lgpio.events, sep="\\n"))
    outputs = GpioOutputs({"mist-1": OutputPin(pin=17, is_active_high=False)}, "lgpio")
    outputs.claim()
    outputs.drive("mist-1", is_open=True)
    lgpio.events.clear()
    raise RuntimeError("nobody catches this")
"""


@pytest.mark.real_time
def test_a_program_that_ends_by_an_uncaught_error_shuts_before_it_lets_go() -> None:
    ended = subprocess.run(
        [sys.executable, "-c", ENDS_BY_AN_ERROR], capture_output=True, text=True, timeout=30, check=False
    )

    assert "nobody catches this" in ended.stderr
    assert ended.stdout.splitlines()[:3] == [
        str(LineEvent("write", 17, 1)),
        str(LineEvent("read", 17, 1)),
        str(LineEvent("free", 17)),
    ]


@pytest.mark.real_time
def test_importing_the_module_does_not_load_gpiozero() -> None:
    program = "import sys, mistd.adapters.gpio.outputs; print('gpiozero' in sys.modules)"

    ended = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=30, check=True
    )

    assert ended.stdout.strip() == "False"
