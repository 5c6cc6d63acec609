"""The lines that call people, a siren's or a beacon's: held by the keeper like every other, and no valves.

Answers for: claiming them off, switching them as told, and letting them go off.
Does not know: bursts, limits, heartbeats, or who is in charge.

Rule: no trouble leaves here as an error. A line that does not do as told has its trouble in words, which are
given once, and the valves go on.
"""

from collections.abc import Sequence
from contextlib import suppress

from mistd.ports.errors import LinesError
from mistd.ports.lines import Lines


class SignalLines:
    """Every signal line of a house; on is what `Lines` calls open."""

    def __init__(self, names: Sequence[str], lines: Lines, *, are_valves_too: bool = False) -> None:
        """Name them, touch none.

        Args:
            names: the signal lines; none in a house without.
            lines: where they are driven.
            are_valves_too: the valves are driven there as well, and claimed and released with them.
        """
        self._names = tuple(names)
        self._lines = lines
        self._are_valves_too = are_valves_too
        self._are_claimed = are_valves_too
        self._troubles: dict[str, str] = {}

    @property
    def troubles(self) -> tuple[tuple[str, str], ...]:
        """Every line that did not do as it was told last, and why."""
        return tuple(self._troubles.items())

    def switch(self, line: str, *, is_on: bool) -> str | None:
        """Switch one line; what is wrong with it, in words, None when nothing is or that was given before."""
        if line not in self._names:
            return f"no signal line is called {line!r}"
        is_known = line in self._troubles
        try:
            self._drive(line, is_on=is_on)
        except LinesError as problem:
            self._troubles[line] = f"it does not switch {_word(is_on)}: {problem}"
            return None if is_known else self._troubles[line]
        self._troubles.pop(line, None)
        return None

    def switch_all_off(self) -> tuple[tuple[str, str], ...]:
        """Switch every line off; which do not, and why, of those where that was not given before."""
        problems = {line: self.switch(line, is_on=False) for line in self._names}
        return tuple((line, problem) for line, problem in problems.items() if problem)

    def release(self) -> None:
        """Switch every line off and let them go. Harmless when nothing is held."""
        if not self._are_valves_too:
            with suppress(LinesError):  # said in words when they were switched off before
                self._lines.release()

    def _drive(self, line: str, *, is_on: bool) -> None:
        """Drive a line and read it back; where they could not be claimed before, that is tried again first.

        Raises:
            LinesError: it could not be driven, or does not read as it was driven.
        """
        if not self._are_claimed:
            self._lines.claim()
            self._are_claimed = True
        self._lines.drive(line, is_open=is_on)
        if self._lines.read_back()[line] is not is_on:
            raise LinesError(f"line {line} was switched {_word(is_on)} and reads otherwise")


def _word(is_on: bool) -> str:
    return "on" if is_on else "off"
