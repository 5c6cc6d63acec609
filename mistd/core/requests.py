"""What people ask of a house while it runs. Checked for form before it gets here, not for sense.

A request that moves water is never kept across a restart: whoever asked must ask again.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class AskBurst:
    """One burst now, beside the cycle."""

    request_id: str
    zone: str
    for_s: float | None  # None: as long as the cycle's own burst at this time of day
    author: str
    expires_at_s: float  # monotonic: refused if it could not begin by then


@dataclass(frozen=True, slots=True, kw_only=True)
class AskHold:
    """Keep a zone dry, for people at work in it; asked again, it lasts as long as the longer of the two."""

    request_id: str
    zone: str
    for_s: float
    author: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskRelease:
    """End a hold before its time."""

    request_id: str
    zone: str
    author: str


Request = AskBurst | AskHold | AskRelease
