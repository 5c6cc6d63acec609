"""Changes of settings: put in force, kept, told and answered; or refused, and then nothing is changed."""

from collections.abc import Mapping
from math import inf

import pytest

from mistd.core.actions import AnswerRequest, KeepRevision, Outcome
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedPart
from mistd.core.durable import durable, restored
from mistd.core.events import EventKind
from mistd.core.house import Decision, House
from mistd.core.requests import Request
from mistd.core.settings import (
    LASTING,
    ClosedSet,
    CycleSet,
    CycleWanted,
    HoldSet,
    PartsSet,
    SettingKind,
    Settings,
    SettingValue,
    SkipSet,
    TrimSet,
)
from mistd.core.zone import Closed, Hold, Skip, Trim, Zone
from tests.core.houses import (
    PaperHouse,
    almanac,
    answers,
    ask_hold,
    ask_release,
    ask_setting,
    ask_undo,
    house_at_work,
    house_plan,
    kept,
    ready,
    shuttings,
    timetable,
    told,
    zone_plan,
)

PLAN = house_plan(zone_plan("a"), zone_plan("b"))
NEW_TIMETABLE = timetable(4.0, 300.0)
BY_THE_TIMETABLE = CycleSet(cycle=None, wanted=CycleWanted(written={"cycle": "timed"}, words="timed"))
VALUES: Mapping[SettingKind, SettingValue] = {
    SettingKind.TIMETABLE: NEW_TIMETABLE,
    SettingKind.CYCLE: BY_THE_TIMETABLE,
    SettingKind.TRIM: TrimSet(fraction=0.25, for_s=3600.0),
    SettingKind.HOLD: HoldSet(for_s=1800.0),
    SettingKind.CLOSED: ClosedSet(for_s=7200.0),
    SettingKind.SKIP: SkipSet(for_s=900.0),
}
KINDS = list(SettingKind)
INES, WHY = "ines", "geraniums"


def in_force(zone: Zone, kind: SettingKind) -> object:
    return {
        SettingKind.TIMETABLE: zone.timetable,
        SettingKind.CYCLE: zone.cycle_set,
        SettingKind.TRIM: zone.trim,
        SettingKind.HOLD: zone.hold,
        SettingKind.CLOSED: zone.closed,
        SettingKind.SKIP: zone.skip,
    }[kind]


def put(
    paper: PaperHouse,
    kind: SettingKind,
    now_s: float = 10.0,
    *,
    request_id: str = "set-1",
    author: str = "ilse",
    note: str = "",
) -> Decision:
    asked = ask_setting(kind, VALUES[kind], request_id=request_id, author=author, note=note)
    return paper.decide(now_s, asked)


def the_refusal(paper: PaperHouse, now_s: float, request: Request) -> str:
    """The reason for which a request is refused; it leaves no other trace but that it is told."""
    before = paper.house

    decision = paper.decide(now_s, request)

    assert decision.house is before
    (answer,) = decision.actions
    assert isinstance(answer, AnswerRequest)
    assert (answer.request_id, answer.outcome) == (request.request_id, Outcome.REFUSED)
    assert not answer.must_be_kept
    (event,) = decision.events
    assert (event.kind, event.reason) == (EventKind.SETTING_REFUSED, answer.reason)
    assert event.figures == {"asked_by": request.author}
    return answer.reason


@pytest.mark.parametrize(
    ("kind", "put_value"),
    [
        (SettingKind.TIMETABLE, NEW_TIMETABLE),
        (SettingKind.CYCLE, BY_THE_TIMETABLE),
        (SettingKind.TRIM, Trim(fraction=0.25, ends_s=3610.0, author=INES, note=WHY)),
        (SettingKind.HOLD, Hold(ends_s=1810.0, author=INES, note=WHY)),
        (SettingKind.CLOSED, Closed(ends_s=7210.0, author=INES, note=WHY)),
        (SettingKind.SKIP, Skip(ends_s=910.0, author=INES, note=WHY)),
    ],
)
def test_a_value_of_every_kind_is_put_in_force_with_who_and_why(kind: SettingKind, put_value: object) -> None:
    paper = house_at_work(PLAN)

    put(paper, kind, author=INES, note=WHY)

    assert in_force(paper.zone(), kind) == put_value
    assert in_force(paper.zone("b"), kind) is None


@pytest.mark.parametrize("kind", KINDS)
def test_every_change_is_written_down_as_a_revision(kind: SettingKind) -> None:
    decision = put(house_at_work(PLAN), kind, request_id="set-7", author=INES, note=WHY)

    (revision,) = kept(decision)
    assert (revision.id, revision.kind, revision.zone, revision.value) == (1, kind, "a", VALUES[kind])
    assert (revision.author, revision.note, revision.request_id) == ("ines", "geraniums", "set-7")
    ends_in_s = getattr(VALUES[kind], "for_s", inf)
    assert (revision.ends_s, revision.undoes) == (10.0 + ends_in_s, None)
    assert decision.house.settings.top((kind, "a")) is revision


@pytest.mark.parametrize("kind", KINDS)
def test_every_change_is_answered_done_only_when_kept_after_its_revision(kind: SettingKind) -> None:
    decision = put(house_at_work(PLAN), kind, request_id="set-7")

    keeping, answer = decision.actions
    assert isinstance(keeping, KeepRevision)
    assert isinstance(answer, AnswerRequest)
    assert (answer.request_id, answer.outcome, answer.must_be_kept) == ("set-7", Outcome.DONE, True)
    assert answer.reason.endswith("; revision 1")
    for_s = {} if kind in LASTING else {"for_s": VALUES[kind].for_s}  # type: ignore[union-attr]
    assert answer.figures == {"revision": 1, **for_s}


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind is not SettingKind.HOLD])
def test_every_change_is_told_with_who_and_why(kind: SettingKind) -> None:
    decision = put(house_at_work(PLAN), kind, author=INES, note=WHY)

    (event,) = decision.events
    assert (event.kind, event.subject) == (EventKind.SETTING_CHANGED, "a")
    assert event.reason.endswith(", by ines: geraniums")
    assert event.figures == {"revision": 1, "setting": kind.value}


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_goes_back_to_none_or_to_the_file_by_another_revision(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    put(paper, kind)

    decision = paper.decide(20.0, ask_setting(kind, None, request_id="set-2"))

    assert in_force(paper.zone(), kind) is None
    (revision,) = kept(decision)
    assert (revision.id, revision.value, revision.ends_s, revision.undoes) == (2, None, inf, None)
    assert [(a.request_id, a.outcome) for a in answers(decision)] == [("set-2", Outcome.DONE)]
    assert paper.zone().cycle is paper.plan.zones[0].cycle


@pytest.mark.parametrize("kind", KINDS)
def test_a_change_of_one_zone_leaves_the_others_the_same_objects(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    b = paper.zone("b")

    put(paper, kind)

    assert paper.zone("b") is b


def test_what_nobody_explained_is_told_without_a_reason() -> None:
    (event,) = put(house_at_work(PLAN), SettingKind.TRIM).events

    assert event.reason == "water +25 % for 1 h, by ilse"


@pytest.mark.parametrize("kind", [SettingKind.TRIM, SettingKind.SKIP, SettingKind.TIMETABLE])
def test_what_is_set_of_a_held_zone_may_be_changed_and_taken_back(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    paper.decide(10.0, ask_hold())

    paper.decide(20.0, ask_setting(kind, VALUES[kind]), ask_setting(kind, None, request_id="set-2"))
    paper.decide(30.0, ask_undo(3))

    assert paper.answers() == [(each, "done") for each in ("hold-1", "set-1", "set-2", "undo-1")]


def test_a_held_zone_may_be_set_by_the_general_request_as_by_its_own() -> None:
    held = house_at_work(PLAN).decide(10.0, ask_hold(request_id="h", for_s=600.0, note="sticking"))
    asked = ask_setting(SettingKind.HOLD, HoldSet(for_s=600.0), request_id="h", note="sticking")
    assert house_at_work(PLAN).decide(10.0, asked) == held

    paper, other = house_at_work(PLAN), house_at_work(PLAN)
    for each in (paper, other):
        each.decide(10.0, ask_hold())
    released = paper.decide(20.0, ask_release(request_id="r", note="out", expected_revision=1))
    asked = ask_setting(SettingKind.HOLD, None, request_id="r", note="out", expected_revision=1)
    assert other.decide(20.0, asked) == released
    assert kept(released)[0].note == "out"


def test_some_parts_of_a_timetable_leave_the_others_as_they_are_set_now() -> None:
    paper = house_at_work(PLAN)
    put(paper, SettingKind.TIMETABLE)
    dusk: Mapping[DayPart, TimedPart | None] = {DayPart.DUSK: TimedPart(burst_s=6.0, gap_s=900.0)}

    decision = paper.decide(
        20.0,
        ask_setting(SettingKind.TIMETABLE, PartsSet(parts=dusk)),
        ask_setting(SettingKind.TIMETABLE, PartsSet(parts={DayPart.NIGHT: None}), request_id="set-2"),
    )

    wanted = timetable(4.0, 300.0, off=[DayPart.NIGHT], others={DayPart.DUSK: (6.0, 900.0)})
    assert paper.zone().timetable == wanted
    assert [revision.value for revision in kept(decision)][-1] == wanted
    assert decision.events[-1].reason.startswith("timetable night off, dawn 4 s / 5 min")


# What is refused.


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("expected", [0, 2])
def test_whoever_saw_another_revision_than_the_one_it_stands_at_is_refused(
    kind: SettingKind, expected: int
) -> None:
    paper = house_at_work(PLAN)
    put(paper, kind, author="ines")
    asked = ask_setting(kind, VALUES[kind], request_id="set-2", expected_revision=expected)

    reason = the_refusal(paper, 20.0, asked)

    assert reason == f"it stands at revision 1 by ines, not at {expected}: look at it and ask again"


@pytest.mark.parametrize("kind", KINDS)
def test_going_back_to_none_is_refused_too_when_it_was_changed_since(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)
    put(paper, kind)

    the_refusal(paper, 20.0, ask_setting(kind, None, request_id="set-2", expected_revision=0))

    assert in_force(paper.zone(), kind) is not None


@pytest.mark.parametrize("kind", KINDS)
def test_whoever_saw_the_revision_it_stands_at_is_not_refused(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)

    for expected in (0, 1, 2):
        asked = ask_setting(kind, VALUES[kind], request_id=f"set-{expected}", expected_revision=expected)
        assert answers(paper.decide(10.0 + expected, asked))[0].outcome is Outcome.DONE


@pytest.mark.parametrize("kind", KINDS)
def test_what_nobody_set_stands_at_0_and_at_no_other(kind: SettingKind) -> None:
    reason = the_refusal(house_at_work(PLAN), 10.0, ask_setting(kind, VALUES[kind], expected_revision=1))

    assert reason == "it stands at revision 0, not at 1: look at it and ask again"


def test_an_undoing_is_a_change_too_for_whoever_saw_what_was_before_it() -> None:
    paper = house_at_work(PLAN)
    put(paper, SettingKind.TRIM)
    paper.decide(20.0, ask_undo(1))

    asked = ask_setting(SettingKind.TRIM, None, request_id="set-2", expected_revision=1)

    assert the_refusal(paper, 30.0, asked).startswith("it stands at revision 2 by ilse")


def test_of_two_at_one_instant_the_second_has_to_have_seen_the_first() -> None:
    first = ask_setting(SettingKind.TRIM, VALUES[SettingKind.TRIM], expected_revision=0)
    second = ask_setting(SettingKind.TRIM, None, request_id="set-2", author="jo", expected_revision=0)
    paper = house_at_work(PLAN)

    decision = paper.decide(10.0, first, second)

    assert paper.answers() == [("set-1", "done"), ("set-2", "refused")]
    assert [revision.id for revision in kept(decision)] == [1]
    assert paper.zone().trim is not None


def test_of_two_at_one_instant_the_second_may_build_on_the_first() -> None:
    first = ask_setting(SettingKind.TRIM, VALUES[SettingKind.TRIM], expected_revision=0)
    second = ask_setting(SettingKind.TRIM, None, request_id="set-2", author="jo", expected_revision=1)
    paper = house_at_work(PLAN)

    decision = paper.decide(10.0, first, second)

    assert paper.answers() == [("set-1", "done"), ("set-2", "done")]
    assert [revision.id for revision in kept(decision)] == [1, 2]
    assert paper.zone().trim is None


def test_a_refused_change_does_not_use_up_an_id() -> None:
    paper = house_at_work(PLAN)
    paper.decide(10.0, ask_setting(SettingKind.TRIM, TrimSet(fraction=0.0, for_s=600.0)))

    assert kept(put(paper, SettingKind.TRIM, 20.0, request_id="set-2"))[0].id == 1


# Ids.


def test_ids_count_up_over_every_kind_and_zone() -> None:
    paper = house_at_work(PLAN)

    requests = [
        ask_setting(kind, VALUES[kind], zone, request_id=f"{kind}-{zone}") for kind in KINDS for zone in "ab"
    ]
    decision = paper.decide(10.0, *requests)

    done = [a for a in answers(decision) if a.outcome is Outcome.DONE]
    assert [revision.id for revision in kept(decision)] == list(range(1, 11))  # a held zone may not be closed
    assert [answer.figures["revision"] for answer in done] == list(range(1, 11))


def test_ids_go_on_over_a_restart() -> None:
    paper = house_at_work(PLAN)
    put(paper, SettingKind.TRIM)
    put(paper, SettingKind.SKIP, 20.0, request_id="set-2")

    back = paper_again(paper.house, paper.house.settings)

    assert kept(put(back, SettingKind.TIMETABLE, 40.0))[0].id == 3


def test_an_id_is_not_given_twice_though_its_revision_is_no_longer_remembered() -> None:
    back = paper_again(house_at_work(PLAN).house, Settings(last_id=41))

    assert kept(put(back, SettingKind.CLOSED, 40.0))[0].id == 42


def paper_again(house: House, settings: Settings) -> PaperHouse:
    """The same house after a restart of the program at 30 s."""
    back = restored(PLAN, durable(house), almanac(), 30.0, settings=settings)
    paper = PaperHouse(house=back.house, now_s=30.0)
    paper.decide(30.0, ready())
    return paper


# What a change does not do.


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind is not SettingKind.HOLD])
def test_a_change_shuts_no_valve_and_opens_none_that_is_not_due(kind: SettingKind) -> None:
    paper = house_at_work(PLAN)

    decision = put(paper, kind)

    assert shuttings(decision) == []
    assert paper.orders() == []


def test_a_closed_zone_is_misted_all_the_same() -> None:
    paper = house_at_work(PLAN)
    put(paper, SettingKind.CLOSED)

    paper.mist_until(620.0)

    assert [zone for _, zone, _ in paper.orders()] == ["a", "b"]


@pytest.mark.parametrize(
    ("kind", "ended"),
    [(SettingKind.TRIM, EventKind.TRIM_ENDED), (SettingKind.CLOSED, EventKind.CLOSED_ENDED)],
)
def test_what_was_taken_back_does_not_end_once_more(kind: SettingKind, ended: EventKind) -> None:
    paper = house_at_work(PLAN)
    put(paper, kind)
    decision = paper.decide(20.0, ask_setting(kind, None, request_id="set-2"))

    paper.mist_until(8000.0)

    assert told(decision, ended) == []
    assert paper.told(ended) == []
