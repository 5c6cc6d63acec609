"""Output lines: the pins that valves hang on.

Only the keeper holds these. A line is *open* or *shut* as its valve is; what level that takes on the pin
(active high or active low) is the adapter's to know.
"""

from collections.abc import Mapping
from typing import Protocol


class Lines(Protocol):
    """Every output line of a house, claimed together by one owner."""

    def claim(self) -> None:
        """Take every line, shut, with no moment in which one is open.

        Raises:
            LinesError: a line is missing or has another owner; then none is held.
        """
        ...

    def drive(self, line: str, *, is_open: bool) -> None:
        """Open or shut one line; shutting a shut line is harmless.

        Raises:
            LinesError: the line is not ours, or the write failed.
        """
        ...

    def read_back(self) -> Mapping[str, bool]:
        """What each line is driven to now, read from the output itself; True is open.

        Raises:
            LinesError: an output could not be read.
        """
        ...

    def release(self) -> None:
        """Shut every line, then give the lines back. Harmless when nothing is held."""
        ...
