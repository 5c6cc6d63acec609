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
    SETTING_CHANGED = "setting_changed"
    SETTING_UNDONE = "setting_undone"
    SETTING_REFUSED = "setting_refused"
    SETTING_NOT_APPLIED = "setting_not_applied"  # what was set once breaks a rule of the house's file now
    TRIM_ENDED = "trim_ended"
    CLOSED_ENDED = "closed_ended"
    SKIP_ENDED = "skip_ended"
    BURST_SKIPPED = "burst_skipped"
    DAY_PART_BEGAN = "day_part_began"
    MIST_ENDED_FOR_PART = "mist_ended_for_part"  # the timetable gives this zone none until the next part
    DAY_ENDED = "day_ended"
    FROST_BEGAN = "frost_began"
    FROST_ENDED = "frost_ended"
    READING_LOST = "reading_lost"
    READING_BACK = "reading_back"
    CYCLE_FELL_BACK = "cycle_fell_back"  # a zone is led by something other than its own cycle
    CYCLE_CAME_BACK = "cycle_came_back"
    WETNESS_DOUBTED = "wetness_doubted"
    WETNESS_TRUSTED = "wetness_trusted"
    TIME_DISTRUSTED = "time_distrusted"
    TIME_TRUSTED = "time_trusted"
    CLOCK_STEPPED = "clock_stepped"
    LINE_TROUBLE = "line_trouble"
    KEEPER_LOST = "keeper_lost"
    KEEPER_READY = "keeper_ready"
    REQUEST_ANSWERED = "request_answered"
    # Told of alarms, by the board that keeps them beside the decisions:
    ALARM_RAISED = "alarm_raised"
    ALARM_RAISED_UNSEEN = "alarm_raised_unseen"  # under a mask: counted, and nobody is called
    ALARM_ACKNOWLEDGED = "alarm_acknowledged"
    ALARM_RETURNED = "alarm_returned"  # its cause is gone; it waits to be acknowledged or reset
    ALARM_CLEARED = "alarm_cleared"
    ALARM_RESET = "alarm_reset"
    ALARM_SILENCED = "alarm_silenced"
    ALARM_SHELVED = "alarm_shelved"
    ALARM_SHELF_NEARLY_OVER = "alarm_shelf_nearly_over"
    ALARM_UNSHELVED = "alarm_unshelved"
    ALARM_SUPPRESSED = "alarm_suppressed"  # hidden, for another explains it
    ALARM_UNSUPPRESSED = "alarm_unsuppressed"
    ALARM_OUT_OF_SERVICE = "alarm_out_of_service"
    ALARM_IN_SERVICE = "alarm_in_service"
    ALARM_CHATTERS = "alarm_chatters"
    ALARM_FLOOD_BEGAN = "alarm_flood_began"
    ALARM_FLOOD_ENDED = "alarm_flood_ended"
    # Told by the shell, of itself and of what it reaches:
    DAEMON_STARTED = "daemon_started"
    DAEMON_STOPPED = "daemon_stopped"
    BROKER_CONNECTED = "broker_connected"
    BROKER_LOST = "broker_lost"
    STATE_UNREADABLE = "state_unreadable"
    STATE_NOT_KEPT = "state_not_kept"
    STATE_KEPT_AGAIN = "state_kept_again"
    BACKUP_FAILED = "backup_failed"
    JOURNAL_GAP = "journal_gap"
    TASK_FAILED = "task_failed"
    SIREN_TROUBLE = "siren_trouble"  # it is no line that the core knows
    CONFIGURATION_BAD = "configuration_bad"  # the house's file; the last one that ran runs in its place


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened."""

    kind: EventKind
    at_s: float
    subject: str  # the zone, the sensor or the house it happened to
    reason: str
    figures: Mapping[str, float | str]
