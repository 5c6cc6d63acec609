"""Events: the core tells of everything it says it can, each with a subject, a reason and finite figures."""

from math import isfinite

from mistd.core.almanac import DayPart
from mistd.core.events import EventKind
from mistd.core.observations import LineTrouble
from mistd.core.settings import ClosedSet, SettingKind, SettingValue, SkipSet, TrimSet
from tests.core.houses import (
    A_DATE,
    PaperHouse,
    account,
    almanac,
    ask_burst,
    ask_hold,
    ask_release,
    ask_setting,
    ask_undo,
    house_at_work,
    house_plan,
    lost,
    ready,
    timetable,
    zone_plan,
)

TOLD_BY_THE_SHELL = {
    EventKind.CLOCK_STEPPED,
    EventKind.REQUEST_ANSWERED,
    EventKind.DAEMON_STARTED,
    EventKind.DAEMON_STOPPED,
    EventKind.BROKER_CONNECTED,
    EventKind.BROKER_LOST,
    EventKind.STATE_UNREADABLE,
    EventKind.STATE_NOT_KEPT,
    EventKind.STATE_KEPT_AGAIN,
    EventKind.BACKUP_FAILED,
    EventKind.JOURNAL_GAP,
    EventKind.TASK_FAILED,
    EventKind.SETTING_NOT_APPLIED,
    EventKind.SIREN_TROUBLE,
    EventKind.CONFIGURATION_BAD,
}
TOLD_OF_ZONES_ON_DEMAND = {  # tests/core/test_by_demand.py
    EventKind.CYCLE_FELL_BACK,
    EventKind.CYCLE_CAME_BACK,
    EventKind.WETNESS_DOUBTED,
    EventKind.WETNESS_TRUSTED,
}
TOLD_BY_THE_BOARD_OF_ALARMS = {kind for kind in EventKind if kind.value.startswith("alarm_")}
COLD_C, MILD_C = 0.5, 5.0
NIGHT = almanac(DayPart.NIGHT)


def an_eventful_life() -> PaperHouse:
    """A night and a morning in which everything happens once."""
    plan = house_plan(
        zone_plan("a"), zone_plan("b", timetable(off=[DayPart.DUSK])), probes=["north"], valves_at_once=2
    )
    paper = house_at_work(plan, part=NIGHT)
    paper.mist_until(700.0)
    for at_s in (700.0, 1000.0, 1300.0):
        paper.reads(at_s, north=COLD_C)
    paper.decide(1350.0, ask_burst())
    paper.reads(1400.0, north=MILD_C)
    paper.mist_until(1500.0)
    paper.decide(1500.0, ask_hold(for_s=200.0), ask_hold(request_id="hold-2", for_s=300.0))
    paper.mist_until(1690.0)
    paper.decide(1690.0, ask_release())
    paper.mist_until(1800.0)
    paper.decide(1800.0, lost(), LineTrouble(line="b", reason="it does not shut"))
    paper.decide(1810.0, ready(-1000.0, account("b", 1803.0, 1808.0)))
    paper.reads(1850.0, north=MILD_C)
    paper.decide(1900.0, almanac(is_trusted=False, local_date=A_DATE.replace(day=15)))
    paper.decide(1910.0, almanac(DayPart.DUSK, local_date=A_DATE.replace(day=15)))
    set_this_and_that(paper)
    return paper


def set_this_and_that(paper: PaperHouse) -> None:
    """An evening in which a grower sets what can be set of b, and leaves a burst of a out."""
    values: list[SettingValue | None] = [
        TrimSet(fraction=0.1, for_s=60.0),
        ClosedSet(for_s=60.0),
        SkipSet(for_s=60.0),
        None,
    ]
    kinds = [SettingKind.TRIM, SettingKind.CLOSED, SettingKind.SKIP, SettingKind.TIMETABLE]
    for number, (kind, value) in enumerate(zip(kinds, values, strict=True)):
        paper.decide(1920.0 + number, ask_setting(kind, value, "b", request_id=f"set-{number}"))
    paper.decide(1930.0, ask_undo(paper.house.settings.last_id), ask_undo(999, request_id="undo-2"))
    paper.decide(1940.0, ask_setting(SettingKind.SKIP, SkipSet(for_s=3600.0), "a", request_id="set-9"))
    paper.mist_until(2600.0)


def test_the_core_tells_every_kind_of_event_that_is_its_own_to_tell() -> None:
    told = {event.kind for event in an_eventful_life().events}

    elsewhere = TOLD_BY_THE_SHELL | TOLD_BY_THE_BOARD_OF_ALARMS | TOLD_OF_ZONES_ON_DEMAND
    assert told == set(EventKind) - elsewhere


def test_every_event_names_whom_it_happened_to_why_and_finite_figures() -> None:
    paper = an_eventful_life()

    for event in paper.events:
        assert event.subject in {"elm-house", "a", "b", "north"}
        assert len(event.reason) > 2
        assert 0.0 <= event.at_s <= paper.now_s
        numbers = [figure for figure in event.figures.values() if not isinstance(figure, str)]
        assert all(isfinite(number) for number in numbers)


def test_every_event_of_bursts_and_holds_has_figures_or_a_reason_that_needs_none() -> None:
    for event in an_eventful_life().events:
        if event.kind in {EventKind.BURST_STARTED, EventKind.BURST_ENDED, EventKind.BURST_FOUND}:
            assert event.figures
        if event.kind is EventKind.BURST_REFUSED:
            assert event.figures["guard"]


def test_the_words_outside_are_the_kinds_in_lower_case() -> None:
    assert all(kind.value == kind.name.lower() for kind in EventKind)
