"""What happened, in the past tense, with its reason and its figures.

The core tells; the shell logs and publishes.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class EventKind(StrEnum):
    """Everything the core can tell of; the value is the word used in logs and on the bus."""

    BURST_STARTED = "burst_started"
    BURST_ENDED = "burst_ended"
    BURST_REFUSED = "burst_refused"
    BURST_FOUND = "burst_found"  # the keeper gave it before our last start, and we had no note of it
    HOLD_STARTED = "hold_started"
    HOLD_EXTENDED = "hold_extended"
    HOLD_NEARLY_OVER = "hold_nearly_over"
    HOLD_ENDED = "hold_ended"
    DAY_PART_BEGAN = "day_part_began"
    MIST_ENDED_FOR_PART = "mist_ended_for_part"  # the timetable gives this zone none until the next part
    DAY_ENDED = "day_ended"
    FROST_BEGAN = "frost_began"
    FROST_ENDED = "frost_ended"
    READING_LOST = "reading_lost"
    READING_BACK = "reading_back"
    TIME_DISTRUSTED = "time_distrusted"
    TIME_TRUSTED = "time_trusted"
    CLOCK_STEPPED = "clock_stepped"
    LINE_TROUBLE = "line_trouble"
    KEEPER_LOST = "keeper_lost"
    KEEPER_READY = "keeper_ready"
    REQUEST_ANSWERED = "request_answered"
    # Told by the shell, of itself and of what it reaches:
    DAEMON_STARTED = "daemon_started"
    DAEMON_STOPPED = "daemon_stopped"
    BROKER_CONNECTED = "broker_connected"
    BROKER_LOST = "broker_lost"
    STATE_UNREADABLE = "state_unreadable"
    STATE_NOT_KEPT = "state_not_kept"
    STATE_KEPT_AGAIN = "state_kept_again"
    TASK_FAILED = "task_failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened."""

    kind: EventKind
    at_s: float
    subject: str  # the zone, the sensor or the house it happened to
    reason: str
    figures: Mapping[str, float | str]
