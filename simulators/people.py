"""Who works in the demo's house, and what goes wrong there: made up, so that there is something to watch.

Answers for: what is asked when, as a message of any client, and which sensor's cable is out when.
Does not know the daemon; it may refuse. Seconds count on the house's own clock from the start of the demo.
"""

import json
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

MINUTE_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """Somebody asks for something."""

    at_s: float
    what: str
    request: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class CableOut:
    """A sensor sends nothing for a while."""

    sensor: str
    from_s: float
    to_s: float


def _set(at_min: float, author: str, zone: str, setting: str, value: Any, note: str) -> Ask:
    request = {"author": author, "zone": zone, "setting": setting, "value": value, "note": note}
    return Ask(at_s=at_min * MINUTE_S, what="set", request=request)


ASKS = (
    _set(4, "nadia", "fuchsia", "trim", {"percent": 15, "for_s": 6 * 3600}, "hot afternoon"),
    _set(7, "nadia", "hydrangea", "timetable", {"day": {"burst_s": 6, "gap_min": 15}}, "longer, less often"),
    _set(9, "tomas", "lavender", "closed", {"for_s": 4 * 3600}, "sprayed at noon"),
    _set(14, "tomas", "salvia", "hold", {"for_s": 15 * 60}, "taking out the rooted trays"),
    _set(26, "nadia", "fuchsia", "skip", {}, "leaves still wet"),
    _set(50, "nadia", "fuchsia", "trim", None, "clouds came"),
)
CABLES_OUT = (
    CableOut(sensor="light", from_s=10 * MINUTE_S, to_s=24 * MINUTE_S),
    CableOut(sensor="humidity", from_s=30 * MINUTE_S, to_s=42 * MINUTE_S),  # zones on demand fall back
)


@dataclass(slots=True)
class People:
    """Everyone in the house, asked what they want now."""

    zones: frozenset[str]
    asks: tuple[Ask, ...] = ASKS
    cables_out: tuple[CableOut, ...] = CABLES_OUT
    _asked: int = field(default=0)

    def messages(self, now_s: float, issued_at: datetime) -> Iterator[tuple[str, bytes]]:
        """What is asked by now and was not yet: the kind of request, and its message.

        Args:
            now_s: seconds on the house's clock since the demo began.
            issued_at: the real instant, by which people live.
        """
        while self._asked < len(self.asks) and self.asks[self._asked].at_s <= now_s:
            ask = self.asks[self._asked]
            self._asked += 1
            if ask.request["zone"] in self.zones:
                message = {"id": uuid.uuid4().hex, "issued_at": issued_at.isoformat(), **ask.request}
                yield ask.what, json.dumps(message).encode()

    def is_out(self, sensor: str, now_s: float) -> bool:
        """Whether this sensor's cable is out."""
        return any(cable.sensor == sensor and cable.from_s <= now_s < cable.to_s for cable in self.cables_out)
