"""Events: the core tells of everything it says it can, each with a subject, a reason and finite figures."""

from math import isfinite

from mistd.core.almanac import DayPart
from mistd.core.events import EventKind
from mistd.core.observations import LineTrouble
from tests.core.houses import (
    A_DATE,
    PaperHouse,
    account,
    almanac,
    ask_burst,
    ask_hold,
    ask_release,
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
    EventKind.TASK_FAILED,
}
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
    return paper


def test_the_core_tells_every_kind_of_event_that_is_its_own_to_tell() -> None:
    told = {event.kind for event in an_eventful_life().events}

    assert told == set(EventKind) - TOLD_BY_THE_SHELL


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
