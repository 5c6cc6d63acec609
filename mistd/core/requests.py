"""What people ask of a house while it runs. Checked for form before it gets here, not for sense.

A request that moves water is never kept across a restart: whoever asked must ask again.
"""

from dataclasses import dataclass

from mistd.core.settings import SettingKind, SettingValue


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
    expected_revision: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AskRelease:
    """End a hold before its time."""

    request_id: str
    zone: str
    author: str
    note: str = ""
    expected_revision: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AskSetting:
    """Set something of a zone, or with no value set it back to what the house's file says."""

    request_id: str
    zone: str
    kind: SettingKind
    value: SettingValue | None
    author: str
    note: str = ""
    expected_revision: int | None = None  # refused when the setting stands at another


@dataclass(frozen=True, slots=True, kw_only=True)
class AskUndo:
    """Take a change back: its setting goes to what it was before."""

    request_id: str
    revision: int
    author: str
    note: str = ""


Request = AskBurst | AskHold | AskRelease | AskSetting | AskUndo
