"""What is new since the last decision, and nothing else."""

from dataclasses import dataclass, field
from enum import StrEnum

from mistd.core.almanac import Almanac
from mistd.core.readings import Reading
from mistd.core.requests import Request


class LineEdge(StrEnum):
    """What the keeper did with a line."""

    OPENED = "opened"
    SHUT = "shut"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineReport:
    """The keeper's word on one line."""

    edge: LineEdge
    line: str
    ticket: int
    at_s: float
    open_s: float = 0.0  # how long it was open, when it was shut
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineAccount:
    """The last burst the keeper gave a line, whoever ordered it."""

    line: str
    opened_s: float
    shut_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperReady:
    """A keeper holds every line shut and takes orders; with what it remembers of earlier bursts."""

    since_s: float  # when this keeper began: what a line did before that it cannot know, so it rests first
    accounts: tuple[LineAccount, ...] = ()
    unproved: tuple[str, ...] = ()  # lines that it drives shut and that do not read shut


@dataclass(frozen=True, slots=True, kw_only=True)
class KeeperLost:
    """No keeper answers; what the lines do is not known until the next one holds them."""

    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LineTrouble:
    """A line does not do what the keeper drives it to; the keeper goes on trying."""

    line: str
    reason: str


KeeperNews = LineReport | LineTrouble | KeeperReady | KeeperLost


@dataclass(frozen=True, slots=True, kw_only=True)
class Observations:
    """Everything new, in the order in which it happened within each kind."""

    almanac: Almanac | None = None
    keeper: tuple[KeeperNews, ...] = ()
    readings: tuple[tuple[str, Reading], ...] = ()
    requests: tuple[Request, ...] = field(default=())


NOTHING_NEW = Observations()
