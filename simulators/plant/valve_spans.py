"""For how long valves were open, as somebody knows it who only looks now and then: cut where a valve moved.

A valve that is open at the end was open at the end of the time; one that is shut, at its start.
"""

from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise

ROUNDING_S = 1e-6  # times are a caller's sums and differences of floats


@dataclass(frozen=True, slots=True)
class ValveSpans:
    """A time that passed, how long each valve was open in it, and which are open at its end."""

    passed_s: float
    open_seconds: Mapping[str, float]
    open_now: frozenset[str]

    def refuse_impossible(self, known: Container[str], now_s: float) -> None:
        """Raise ValueError when time ran backwards, a zone is not known or a valve open for too long."""
        if self.passed_s < 0.0:
            raise ValueError(f"the plant stands at {now_s:g} s and cannot go back {-self.passed_s:g} s")
        unknown = [name for name in sorted({*self.open_seconds, *self.open_now}) if name not in known]
        if unknown:
            raise ValueError(f"no such zone: {', '.join(unknown)}")
        for name, seconds in self.open_seconds.items():
            if not 0.0 <= seconds <= self.passed_s + ROUNDING_S:
                raise ValueError(f"{name}: valve open for {seconds:g} s of {self.passed_s:g} s")

    def stretches(self) -> Iterator[tuple[float, frozenset[str]]]:
        """When each piece ends, counted from the beginning, and what was open in it.

        >>> list(ValveSpans(8.0, {"left": 6.0}, frozenset()).stretches())
        [(6.0, frozenset({'left'})), (8.0, frozenset())]
        """
        spans = {
            name: self._span(name, seconds) for name, seconds in self.open_seconds.items() if seconds > 0.0
        }
        edges_s = sorted({0.0, self.passed_s, *(edge for span in spans.values() for edge in span)})
        for begin_s, end_s in pairwise(edges_s):
            yield (
                end_s,
                frozenset(name for name, span in spans.items() if span[0] <= begin_s and end_s <= span[1]),
            )

    def _span(self, name: str, seconds: float) -> tuple[float, float]:
        """From when to when; a sliver is no edge, for at an edge a valve would begin its travel anew."""
        if self.passed_s - seconds < ROUNDING_S:
            return 0.0, self.passed_s
        return (self.passed_s - seconds, self.passed_s) if name in self.open_now else (0.0, seconds)
