"""The text of a weather file, and the file as read: rows with their stamps, before anything is judged.

It answers for refusing what is no text: a directory, nothing, pictures, other codings than UTF-8. It knows no
format.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from simulators.plant.weather_rows import Column, Site, WeatherFileError, WeatherHour

DAYS_OF_TYPICAL_YEAR = 365
NUL = b"\0"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeatherFile:
    """What a file says: a stamp and a row number for each of its rows, and a column for each quantity."""

    name: str
    site: Site
    stamps: list[datetime]  # aware, in local standard time, in the file's order
    row_numbers: list[int]  # as an editor counts
    columns: dict[str, Column]  # in our units; nan where the file has nothing
    is_typical: bool

    def hour(self, index: int) -> WeatherHour:
        """Hour number `index` of a year that follows itself, before and after its ends."""
        years, row = divmod(index, len(self.stamps))
        return WeatherHour(
            local_time=self.stamps[row] + timedelta(days=DAYS_OF_TYPICAL_YEAR * years),
            source=f"{self.name} row {self.row_numbers[row]}",
            **{quantity: float(column[row]) for quantity, column in self.columns.items()},
        )


def weather_text(path: Path) -> str:
    """The file's text, whose lines end in a line feed.

    Raises:
        WeatherFileError: it is no file, is empty, or is not text in UTF-8.
    """
    name = path.name
    if path.is_dir():
        raise WeatherFileError([f"{name} is a directory, not a weather file"])
    try:
        content = path.read_bytes()
    except OSError as problem:
        raise WeatherFileError([f"{path} cannot be read: {problem.strerror}"]) from None
    if not content.strip():
        raise WeatherFileError([f"{name} is empty"])
    if NUL in content:
        raise WeatherFileError([f"{name} row {_row(content, content.index(NUL))}: not text, but binary"])
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        byte = content[problem.start]
        raise WeatherFileError(
            [
                f"{name} row {_row(content, problem.start)}: byte {byte:#04x} is not UTF-8; save the file in "
                "UTF-8 (it may be in Latin-1)"
            ]
        ) from None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _row(content: bytes, position: int) -> int:
    return content.count(b"\n", 0, position) + 1
