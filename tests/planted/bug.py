"""What a planted bug is: good code, the mistake that takes its place, and the test that sees it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Bug:
    """One mistake."""

    name: str
    promise: str
    file: str
    good: str
    bad: str
    caught_by: str
