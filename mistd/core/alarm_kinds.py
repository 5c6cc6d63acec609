"""The kinds of alarm: what each means for the plants, how soon, and what to do about it.

Priority follows the time to plant damage: unrooted cuttings flag within half an hour on a bright day, and
wilt in the dark in little over an hour. High wants an answer within the hour, medium within two, low within
the working day.

Rule 1: whatever is in here wants a person's answer; what only wants to be known is an event.
Rule 2: one cause, one alarm: a kind that another explains names it in `follows`.
Rule 3: at most `MOST_THAT_WAKE` kinds may sound at night: the grower sleeps alone.
"""

from collections.abc import Iterable, Mapping
from enum import StrEnum

from mistd.core.alarms import About, AlarmRow, Priority
from mistd.core.units import S_PER_HOUR, S_PER_MIN
from mistd.core.zone_demand import COMES_BACK_AFTER_S

MOST_THAT_WAKE = 6  # one person, asleep (our judgement)
KEEPER_AWAY_AFTER_S = 30.0  # another takes some tenths of a second to start, and is started at once

LONGEST_SHELF_S: Mapping[Priority, float] = {  # no longer than the plants can wait for the second look
    Priority.HIGH: 2 * S_PER_HOUR,
    Priority.MEDIUM: 8 * S_PER_HOUR,
    Priority.LOW: 24 * S_PER_HOUR,
}


class AlarmKind(StrEnum):
    """Every kind of alarm; the value is the word used in topics, on disk and on the command line."""

    ZONE_NOT_MISTED = "zone_not_misted"
    KEEPER_AWAY = "keeper_away"
    LINE_TROUBLE = "line_trouble"
    CONFIGURATION_BAD = "configuration_bad"
    SETTING_NOT_APPLIED = "setting_not_applied"
    TASK_FAILED = "task_failed"
    STATE_NOT_KEPT = "state_not_kept"
    STATE_SET_ASIDE = "state_set_aside"
    SIREN_TROUBLE = "siren_trouble"
    NO_BROKER = "no_broker"
    MISTED_BLINDLY = "misted_blindly"
    READING_LOST = "reading_lost"
    WETNESS_DOUBTED = "wetness_doubted"
    CYCLE_FELL_BACK = "cycle_fell_back"
    TIME_UNTRUSTED = "time_untrusted"
    KEEPER_RESTARTED = "keeper_restarted"
    BACKUP_FAILED = "backup_failed"


K, P = AlarmKind, Priority

ROWS = (
    AlarmRow(
        kind=K.ZONE_NOT_MISTED,
        about=About.ZONE,
        priority=P.HIGH,
        title="Zone not misted",
        cause="A burst has been due for longer than the queue for the line can take, and was not given.",
        consequence="Unrooted cuttings flag within half an hour in bright light, in an hour in the dark.",
        remedy=(
            "Mist the bench by hand now.",
            "See what the zone waits for: mistd status.",
            "Mend what the reason names; until then mist by hand, as often as the cuttings need it.",
        ),
        respond_within_s=15 * S_PER_MIN,
        longest_shelf_s=LONGEST_SHELF_S[P.HIGH],
        on_delay_s=2 * S_PER_MIN,
        may_wake=True,
        remind_after_s=30 * S_PER_MIN,
        follows=(K.KEEPER_AWAY,),
        settles_s=2 * S_PER_MIN,
    ),
    AlarmRow(
        kind=K.KEEPER_AWAY,
        about=About.HOUSE,
        priority=P.HIGH,
        title="Nobody holds the output lines",
        cause="The process that alone may open valves is not there, and starting it again has not helped.",
        consequence="No zone gets any mist; unrooted cuttings flag within half an hour in bright light.",
        remedy=(
            "Mist the benches by hand, the youngest cuttings first.",
            "Read the reason: mistd status.",
            "Check that the board's outputs are wired as in the house's file, then restart the daemon.",
            "If it does not come back, restart the board.",
        ),
        respond_within_s=15 * S_PER_MIN,
        longest_shelf_s=LONGEST_SHELF_S[P.HIGH],
        on_delay_s=KEEPER_AWAY_AFTER_S,
        may_wake=True,
        remind_after_s=30 * S_PER_MIN,
    ),
    AlarmRow(
        kind=K.LINE_TROUBLE,
        about=About.ZONE,
        priority=P.HIGH,
        title="Valve not proved shut",
        cause="The zone's line was driven shut and did not read shut, or its burst was never reported over.",
        consequence="The bench may be under water without pause: feed leaches in hours, stems rot in days.",
        remedy=(
            "Look at the bench: is it still misting?",
            "If it is, close the zone's hand valve.",
            "Check the valve for grit and its wiring; close the hand valve before anyone works in the zone.",
            "While the hand valve is closed, mist the bench by hand.",
        ),
        respond_within_s=30 * S_PER_MIN,
        longest_shelf_s=LONGEST_SHELF_S[P.HIGH],
        off_delay_s=5.0,
        may_wake=True,
    ),
    AlarmRow(
        kind=K.CONFIGURATION_BAD,
        about=About.HOUSE,
        priority=P.HIGH,
        title="House file bad: running the last good one",
        cause="The house's file could not be used, so the configuration that last ran is running.",
        consequence="Mist goes on as before; a zone that is new in the file gets none: its cuttings flag.",
        remedy=(
            "See every problem at once: mistd check.",
            "Mend the file where it says so.",
            "Restart the daemon.",
        ),
        respond_within_s=S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.HIGH],
    ),
    AlarmRow(
        kind=K.SETTING_NOT_APPLIED,
        about=About.ZONE,
        priority=P.MEDIUM,
        title="Setting not applied",
        cause="A setting that was kept is no longer allowed by the house's file.",
        consequence="The zone mists by the house's file: perhaps too dry or too wet for its cuttings' stage.",
        remedy=(
            "Read which setting and which limit: the reason names both.",
            "Set it again within the limit, or change the limit in the house's file and restart the daemon.",
        ),
        respond_within_s=2 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.MEDIUM],
    ),
    AlarmRow(
        kind=K.TASK_FAILED,
        about=About.PART,
        priority=P.MEDIUM,
        title="A part of the program failed",
        cause="A part of the program beside the control of the valves ended with an error.",
        consequence="None at once: mist goes on. What that part told or kept may be missing till it is back.",
        remedy=(
            "Read the daemon's log around that time.",
            "If it fails again, restart the daemon.",
            "Acknowledge, then reset.",
        ),
        respond_within_s=2 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.MEDIUM],
        is_latching=True,
    ),
    AlarmRow(
        kind=K.STATE_NOT_KEPT,
        about=About.HOUSE,
        priority=P.MEDIUM,
        title="State cannot be written",
        cause="The state directory is full, read-only or failing.",
        consequence="Mist goes on; after a power cut benches may be misted by older settings, holds lost.",
        remedy=(
            "Free space on the disk, or see why it is read-only; an SD card that fails must be replaced.",
            "Change no settings until it is over: an answer says when a change could not be kept.",
        ),
        respond_within_s=2 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.MEDIUM],
        on_delay_s=30.0,
        off_delay_s=30.0,
    ),
    AlarmRow(
        kind=K.STATE_SET_ASIDE,
        about=About.HOUSE,
        priority=P.MEDIUM,
        title="State was unreadable and set aside",
        cause="A state file could not be read; a copy, or nothing but the house's file, stands in for it.",
        consequence="Mist goes on by settings perhaps older than yours: a bench may be too wet or too dry.",
        remedy=(
            "Compare the settings with what you want: mistd settings.",
            "Set again what is missing, holds too.",
            "Keep the file that was set aside until you are sure.",
            "Acknowledge, then reset.",
        ),
        respond_within_s=2 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.MEDIUM],
        is_latching=True,
    ),
    AlarmRow(
        kind=K.SIREN_TROUBLE,
        about=About.HOUSE,
        priority=P.MEDIUM,
        title="The siren does not do as told",
        cause="The siren's output line was not switched as it was told to be.",
        consequence="Mist goes on; the next alarm may call nobody, while cuttings flag within half an hour.",
        remedy=(
            "Listen: does the siren sound, or keep silent, when it should not?",
            "Check its wiring and its pin in the house's file.",
            "Until it is mended look at the list of alarms: mistd alarms.",
            "Acknowledge, then reset.",
        ),
        respond_within_s=2 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.MEDIUM],
        is_latching=True,
    ),
    AlarmRow(
        kind=K.NO_BROKER,
        about=About.HOUSE,
        priority=P.MEDIUM,
        title="No broker",
        cause="The MQTT broker cannot be reached, or refuses us.",
        consequence="Mist goes on by the timetable, but no sensor is heard: frost would go unseen.",
        remedy=(
            "Check the broker and the network between it and this board.",
            "Check name, password and port in the house's file.",
        ),
        respond_within_s=S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.MEDIUM],
        on_delay_s=30.0,  # a broker that restarts is back sooner
        off_delay_s=10.0,
    ),
    AlarmRow(
        kind=K.MISTED_BLINDLY,
        about=About.ZONE,
        priority=P.MEDIUM,
        title="Misted blindly for a day",
        cause="For 24 h no reading has led the zone: its own last week does, or the bright day's timetable.",
        consequence="Both err to the wet side: on dull days leaves stay wet, the medium sours and stems rot.",
        remedy=(
            "Look at the bench: are leaves wet for hours, is the medium sodden?",
            "If so, trim the zone's water: mistd set ZONE trim.",
            "Mend or replace the sensors that the reason names; the cycle comes back by itself.",
        ),
        respond_within_s=2 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.MEDIUM],
    ),
    AlarmRow(
        kind=K.READING_LOST,
        about=About.SENSOR,
        priority=P.LOW,
        title="Reading lost",
        cause="No good reading of the sensor has come for longer than its word stands.",
        consequence="What went by it goes by the timetable; a lost air temperature no longer warns of frost.",
        remedy=(
            "Check that the sensor is powered and sends.",
            "If it sends nonsense, check its wiring and the unit in the house's file.",
        ),
        respond_within_s=4 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.LOW],
        on_delay_s=30.0,
        off_delay_s=S_PER_MIN,
        follows=(K.NO_BROKER,),
        settles_s=5 * S_PER_MIN,  # a broker that is back has heard every sensor by then
    ),
    AlarmRow(
        kind=K.WETNESS_DOUBTED,
        about=About.SENSOR,
        priority=P.LOW,
        title="Leaf-wetness sensor not believed",
        cause="What a leaf-wetness sensor says does not fit bursts, film or its neighbours: it is left out.",
        consequence="Its zone is misted without it, less closely to what the leaves need: a little too wet.",
        remedy=(
            "Wipe the sensor clean: lime and feed salts read as wet for ever.",
            "Check its wiring, and that it lies level where mist reaches it.",
            "Calibrate it: put what it sends dry and wet into the house's file, then restart the daemon.",
            "It is believed again once it has risen with three bursts running.",
        ),
        respond_within_s=8 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.LOW],
    ),
    AlarmRow(
        kind=K.CYCLE_FELL_BACK,
        about=About.ZONE,
        priority=P.LOW,
        title="Zone not led by its own cycle",
        cause="Readings that the zone's cycle goes by are not believed, so that something else leads it.",
        consequence="Mist goes on, less closely to what the leaves need: rather too wet than too dry.",
        remedy=(
            "Read which reading is not believed, and why: the reason names it.",
            "Check that sensor: a dry wick, a frozen value, its wiring, its unit in the house's file.",
            "Nothing else: its own cycle leads again after ten minutes of sound readings.",
        ),
        respond_within_s=8 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.LOW],
        on_delay_s=5 * S_PER_MIN,  # a sensor that only stumbled leads again soon after
        follows=(K.READING_LOST, K.WETNESS_DOUBTED, K.MISTED_BLINDLY),
        settles_s=COMES_BACK_AFTER_S + 5 * S_PER_MIN,  # readings have to be sound for so long
    ),
    AlarmRow(
        kind=K.TIME_UNTRUSTED,
        about=About.HOUSE,
        priority=P.LOW,
        title="Time uncertain",
        cause="The board's clock is not set, or has not been confirmed by the network since the start.",
        consequence="Nights may be misted like days: leaves wet through a cool night invite grey mould.",
        remedy=(
            "Check the network, or set the clock by hand.",
            "If it comes back after every power cut, the board's clock wants a battery.",
        ),
        respond_within_s=8 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.LOW],
        on_delay_s=10 * S_PER_MIN,  # a board without a clock battery takes some minutes to be told the time
    ),
    AlarmRow(
        kind=K.KEEPER_RESTARTED,
        about=About.HOUSE,
        priority=P.LOW,
        title="The keeper of the lines was restarted",
        cause="The process that holds the output lines ended unexpectedly; another took its place at once.",
        consequence="None at once: a burst may have been cut short. If it goes on, benches dry in between.",
        remedy=(
            "Read the daemon's log around that time.",
            "If it happens again within a day, check the board's power supply and its wiring.",
            "Acknowledge, then reset.",
        ),
        respond_within_s=8 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.LOW],
        is_latching=True,
    ),
    AlarmRow(
        kind=K.BACKUP_FAILED,
        about=About.HOUSE,
        priority=P.LOW,
        title="No backup copy",
        cause="The copy that stands in for a state or a house's file gone bad could not be written.",
        consequence="None at once: mist goes on. A state lost now is replaced by an older one.",
        remedy=(
            "Free space on the disk, or see why it is read-only: the reason says what failed.",
            "If it is not written the next night either, replace the SD card.",
            "Acknowledge, then reset.",
        ),
        respond_within_s=8 * S_PER_HOUR,
        longest_shelf_s=LONGEST_SHELF_S[P.LOW],
        is_latching=True,
    ),
)


def rows_by_kind(rows: Iterable[AlarmRow] = ROWS) -> dict[str, AlarmRow]:
    """The kinds of alarm by their names."""
    return {row.kind: row for row in rows}


def cascade(rows: Mapping[str, AlarmRow], kind: str) -> frozenset[str]:
    """Every kind that is kin to a kind: that explains it or is explained by it, directly or over others."""
    kin = {kind}
    while True:
        causes = {cause for each in kin for cause in rows[each].follows}
        effects = {row.kind for row in rows.values() if kin & set(row.follows)}
        grown = kin | causes | effects
        if grown == kin:
            return frozenset(kin)
        kin = grown


def rank(rows: Mapping[str, AlarmRow], kind: str) -> int:
    """How many kinds stand between a kind and the last cause that may explain it: causes come first."""
    return max((rank(rows, cause) + 1 for cause in rows[kind].follows), default=0)
