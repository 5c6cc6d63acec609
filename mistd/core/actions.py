"""What the core asks the shell to do, in the imperative.

Asking is not having: the keeper reports what was.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from mistd.core.settings import Revision


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenValve:
    """Open a zone's valve for so long; the keeper ends it by its own clock."""

    zone: str
    for_s: float
    ticket: int  # names this burst in the keeper's reports


@dataclass(frozen=True, slots=True, kw_only=True)
class ShutValve:
    """Shut a zone's valve now, before its time."""

    zone: str
    reason: str


class Outcome(StrEnum):
    """How a request ended."""

    DONE = "done"
    REFUSED = "refused"
    NOT_KEPT = "not_kept"  # it is in force, but could not be written down: a restart would forget it


@dataclass(frozen=True, slots=True, kw_only=True)
class AnswerRequest:
    """Tell whoever asked how it ended."""

    request_id: str
    outcome: Outcome
    reason: str  # in words, with figures
    figures: Mapping[str, float | str]
    must_be_kept: bool = False  # only to be sent once the change is on disk


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepRevision:
    """Write a change of a setting down."""

    revision: Revision


Action = OpenValve | ShutValve | AnswerRequest | KeepRevision
