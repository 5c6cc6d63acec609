"""From what people send to what the core decides on: nothing is lost, nothing is made up."""

import json
from typing import Any

import pytest

from mistd.app.core_requests import UnfitValueError, core_request, setting_value
from mistd.app.messages import REQUESTS, AlarmAsked, Asked, SettingAsked
from mistd.app.setting_forms import FORMS
from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedPart
from mistd.core.requests import AskBurst, AskHold, AskRelease, AskSetting, AskUndo, Request
from mistd.core.settings import (
    ClosedSet,
    CycleSet,
    HoldSet,
    PartsSet,
    SettingKind,
    SettingValue,
    SkipSet,
    TrimSet,
)
from tests.app.house_files import benches_of, set_to

BENCHES = benches_of()
ISSUED = {"id": "a", "issued_at": "2026-06-21T12:00:00Z"}


def asked(what: str, **content: Any) -> Asked:
    return REQUESTS[what].model_validate_json(json.dumps({**ISSUED, **content}))


WHOLE: dict[str, tuple[dict[str, Any], Request]] = {
    "burst": (
        {"zone": "left", "for_s": 5.0, "author": "Ida"},
        AskBurst(request_id="a", zone="left", for_s=5.0, author="Ida", expires_at_s=77.0),
    ),
    "hold": (
        {"zone": "left", "for_s": 600.0, "author": "Ida", "note": "potting"},
        AskHold(request_id="a", zone="left", for_s=600.0, author="Ida", note="potting"),
    ),
    "release": ({"zone": "left", "author": "Ida"}, AskRelease(request_id="a", zone="left", author="Ida")),
    "set": (
        {
            "zone": "left",
            "author": "Ida",
            "note": "overcast",
            "setting": "trim",
            "value": {"percent": -20.0, "for_s": 7200.0},
            "expected_revision": 4,
        },
        AskSetting(
            request_id="a",
            zone="left",
            kind=SettingKind.TRIM,
            value=TrimSet(fraction=-0.2, for_s=7200.0),
            author="Ida",
            note="overcast",
            expected_revision=4,
        ),
    ),
    "undo": (
        {"revision": 7, "author": "Ida", "note": "sun"},
        AskUndo(request_id="a", revision=7, author="Ida", note="sun"),
    ),
}


@pytest.mark.parametrize("what", WHOLE)
def test_a_request_comes_through_with_everything_that_was_said(what: str) -> None:
    content, wanted = WHOLE[what]

    assert core_request(asked(what, **content), 77.0, BENCHES) == wanted


def test_every_request_is_one_of_the_cores_or_about_alarms() -> None:
    assert set(REQUESTS) - set(WHOLE) == {"alarm"}
    assert REQUESTS["alarm"] is AlarmAsked


LEAST: dict[str, tuple[dict[str, Any], Request]] = {
    "burst": (
        {"zone": "left"},
        AskBurst(request_id="a", zone="left", for_s=None, author="unnamed", expires_at_s=77.0),
    ),
    "hold": (
        {"zone": "left", "for_s": 600.0},
        AskHold(request_id="a", zone="left", for_s=600.0, author="unnamed"),
    ),
    "release": ({"zone": "left"}, AskRelease(request_id="a", zone="left", author="unnamed")),
    "set": (
        {"zone": "left", "setting": "closed", "value": None},
        AskSetting(request_id="a", zone="left", kind=SettingKind.CLOSED, value=None, author="unnamed"),
    ),
    "undo": ({"revision": 7}, AskUndo(request_id="a", revision=7, author="unnamed")),
}


@pytest.mark.parametrize("what", LEAST)
def test_what_is_left_out_is_not_made_up(what: str) -> None:
    content, wanted = LEAST[what]

    assert core_request(asked(what, **content), 77.0, BENCHES) == wanted


@pytest.mark.parametrize(
    ("kind", "value", "wanted"),
    [
        ("trim", {"percent": 15, "for_s": 600}, TrimSet(fraction=0.15, for_s=600.0)),
        ("hold", {"for_s": 600}, HoldSet(for_s=600.0)),
        ("closed", {"for_s": 600}, ClosedSet(for_s=600.0)),
        ("skip", {}, SkipSet(for_s=86_400.0)),
        (
            "timetable",
            {"day": {"burst_s": 6, "gap_min": 0.5}},
            PartsSet(parts={DayPart.DAY: TimedPart(burst_s=6.0, gap_s=30.0)}),
        ),
        *((kind.value, None, None) for kind in SettingKind),
    ],
    ids=str,
)
def test_every_kind_of_setting_is_read_by_its_own_form(
    kind: str, value: Any, wanted: SettingValue | None
) -> None:
    message = asked("set", zone="left", setting=kind, value=value)

    assert isinstance(message, SettingAsked)
    assert setting_value(message) == wanted


def test_a_value_of_another_kind_is_unfit_and_every_reason_is_told() -> None:
    message = asked("set", zone="left", setting="trim", value={"percent": -101, "day": 3})

    with pytest.raises(UnfitValueError) as caught:
        core_request(message, 77.0, BENCHES)

    told = str(caught.value)
    assert "value.percent: -101: allowed -100 to 1000" in told
    assert "value.for_s: missing; allowed above 0" in told
    assert "value.day: unknown key; known here: percent, for_s" in told


def test_very_many_reasons_are_told_as_the_first_five() -> None:
    message = asked("set", zone="left", setting="hold", value={f"key {number}": 1 for number in range(50)})

    with pytest.raises(UnfitValueError) as caught:
        core_request(message, 77.0, BENCHES)

    assert str(caught.value).count(";") + 1 >= 5
    assert "key 40" not in str(caught.value)


def test_a_value_cannot_move_a_terminals_cursor_with_its_refusal() -> None:
    message = asked("set", zone="left", setting="hold", value={"\x1b[2J\n": 1})

    with pytest.raises(UnfitValueError) as caught:
        core_request(message, 77.0, BENCHES)

    assert str(caught.value).isprintable()


# --- cycles


def test_a_cycle_is_reckoned_for_the_bench_of_its_zone() -> None:
    benches, value = benches_of(set_to("zones.0.demand", {})), {"cycle": "film", "dry_back_percent": 40.0}
    form = FORMS[SettingKind.CYCLE]

    request = core_request(asked("set", zone="left", setting="cycle", value=value), 77.0, benches)

    assert isinstance(request, AskSetting)
    assert request.value == benches.reckoned("left", form.core(form.form.model_validate(value)))
    assert isinstance(request.value, CycleSet)


@pytest.mark.parametrize(("gap_min", "is_fit"), [(1.0, True), (0.99, False)])
def test_a_gap_below_the_zones_rest_of_a_minute_is_refused_and_never_clipped(
    gap_min: float, is_fit: bool
) -> None:
    value = {"cycle": "film", "day": {"shortest_gap_min": gap_min}, "dusk": {"shortest_gap_min": gap_min}}
    message = asked("set", zone="left", setting="cycle", value=value)

    try:
        core_request(message, 77.0, BENCHES)
    except UnfitValueError as problem:
        told = str(problem)
        assert not is_fit
        assert told.startswith(
            "value.day.shortest_gap_min: 0.99 min; allowed from this zone's shortest_rest_s"
        )
        assert "value.dusk.shortest_gap_min" in told
    else:
        assert is_fit
