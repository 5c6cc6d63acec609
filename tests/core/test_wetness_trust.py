"""Whether a leaf-wetness sensor is believed: every reason for doubt, its limits, and the way back."""

from collections.abc import Sequence
from dataclasses import replace
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mistd.core.wetness_trust import (
    APART,
    APART_FOR_S,
    BEFORE_FOR_S,
    BEYOND_OWN,
    JUDGED_WITHIN_S,
    NEEDS_RISE_BELOW,
    RISES_BY,
    SETTLES_S,
    STRIKES,
    SWINGS_BELOW,
    TOO_WET_BY,
    TRUSTED_AFTER,
    UNHEARD,
    WET_STRIKES,
    WetnessTrust,
    burst_begun,
    burst_given,
    compared,
    heard_share,
)

EDGE = 1e-9


def said(share: float, at_s: float = 0.0) -> WetnessTrust:
    return heard_share(UNHEARD, share, at_s)


def burst(
    trust: WetnessTrust,
    before: float,
    after: float,
    *,
    is_good: bool = True,
    slow_wet: float | None = None,
    settled_s: float = SETTLES_S,
) -> WetnessTrust:
    """A reading a minute before a burst of 5 s, the burst, and one that has settled after it."""
    opened_s = trust.at_s + 600.0 if trust.at_s > -inf else 600.0
    trust = heard_share(trust, before, opened_s - 60.0)
    trust = burst_given(burst_begun(trust, opened_s), opened_s + 5.0, is_good=is_good, slow_wet=slow_wet)
    return heard_share(trust, after, opened_s + 5.0 + settled_s)


def bursts(trust: WetnessTrust, count: int, before: float, after: float, **more: float) -> WetnessTrust:
    for _ in range(count):
        trust = burst(trust, before, after, **more)  # type: ignore[arg-type]
    return trust


def lime(trust: WetnessTrust, count: int, share: float, slow_wet: float) -> WetnessTrust:
    for _ in range(count):
        trust = burst(trust, share, share, slow_wet=slow_wet)
    return trust


# ---- at the start


def test_a_sensor_that_has_not_spoken_is_not_believed_and_not_doubted_either() -> None:
    assert not UNHEARD.is_trusted
    assert UNHEARD.doubt == ""


def test_a_sensor_is_believed_from_its_first_word_on() -> None:
    assert said(0.5).is_trusted


# ---- beyond its own two values


@pytest.mark.parametrize("share", [-BEYOND_OWN, 0.0, 1.0, 1.0 + BEYOND_OWN])
def test_a_sensor_a_fifth_beyond_its_own_values_is_still_believed(share: float) -> None:
    assert said(share).is_trusted


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (-BEYOND_OWN - 0.01, "it reads -21 % wet, beyond its own dry value: a rail, a wire or a calibration"),
        (
            1.0 + BEYOND_OWN + 0.01,
            "it reads 121 % wet, beyond its own wet value: a rail, a wire or a calibration",
        ),
    ],
)
def test_a_sensor_further_beyond_is_doubted_at_once(share: float, words: str) -> None:
    assert said(share).doubt == words
    assert not said(share).is_trusted


def test_back_within_its_values_it_stays_doubted_until_it_has_swung() -> None:
    trust = heard_share(said(-0.5), 0.5, 60.0)

    assert not trust.is_trusted
    assert bursts(trust, TRUSTED_AFTER, 0.3, 0.9).is_trusted


# ---- rising after bursts


@pytest.mark.parametrize(("flat", "is_doubted"), [(STRIKES - 1, False), (STRIKES, True), (STRIKES + 1, True)])
def test_three_good_bursts_running_without_a_rise_are_too_many_for_belief(
    flat: int, is_doubted: bool
) -> None:
    assert bool(bursts(UNHEARD, flat, 0.4, 0.4).doubt) is is_doubted


def test_a_flat_sensor_is_told_with_what_it_read() -> None:
    doubt = bursts(UNHEARD, STRIKES, 0.4, 0.42).doubt

    assert doubt == "it did not rise after 3 good bursts: 40 % wet before, 42 % after"


@pytest.mark.parametrize(
    ("before", "after", "is_flat"),
    [
        (0.0, RISES_BY, False),
        (0.0, RISES_BY - EDGE, True),
        (0.4, 0.3, True),  # it fell
        (NEEDS_RISE_BELOW, NEEDS_RISE_BELOW, False),  # as wet as it gets
        (NEEDS_RISE_BELOW - EDGE, NEEDS_RISE_BELOW - EDGE, True),
        (1.0, 0.5, False),
    ],
)
def test_a_rise_is_a_twentieth_or_more_and_a_wet_sensor_need_not_rise(
    before: float, after: float, is_flat: bool
) -> None:
    assert burst(UNHEARD, before, after).flat_bursts == int(is_flat)


def test_one_rise_wipes_out_the_flat_bursts_before_it() -> None:
    trust = burst(bursts(UNHEARD, STRIKES - 1, 0.4, 0.4), 0.4, 0.5)

    assert trust.flat_bursts == 0
    assert not bursts(trust, STRIKES - 1, 0.4, 0.4).doubt


def test_a_burst_into_wet_leaves_says_nothing_and_wipes_out_nothing() -> None:
    trust = burst(bursts(UNHEARD, STRIKES - 1, 0.4, 0.4), 0.8, 0.8)

    assert trust.flat_bursts == STRIKES - 1


def test_a_burst_too_short_to_wet_it_is_no_strike() -> None:
    trust = UNHEARD
    for _ in range(STRIKES + 2):
        trust = burst(trust, 0.4, 0.4, is_good=False)

    assert trust.flat_bursts == 0


@pytest.mark.parametrize(
    ("settled_s", "is_judged"),
    [
        (SETTLES_S - 0.1, False),
        (SETTLES_S, True),
        (JUDGED_WITHIN_S, True),
        (JUDGED_WITHIN_S + 0.1, False),
    ],
)
def test_a_burst_is_judged_once_it_has_settled_and_before_the_sensor_has_dried_again(
    settled_s: float, is_judged: bool
) -> None:
    trust = burst(UNHEARD, 0.4, 0.4, settled_s=settled_s)

    assert trust.flat_bursts == int(is_judged)


def test_a_reading_that_has_not_settled_yet_leaves_the_judgement_to_the_next() -> None:
    trust = burst(UNHEARD, 0.4, 0.4, settled_s=SETTLES_S - 10.0)

    trust = heard_share(trust, 0.6, trust.shut_s + SETTLES_S + 10.0)

    assert (trust.flat_bursts, trust.swings) == (0, 1)


def test_a_burst_is_judged_by_one_reading_only() -> None:
    trust = burst(UNHEARD, 0.4, 0.4)

    trust = heard_share(trust, 0.4, trust.at_s + 10.0)

    assert trust.flat_bursts == 1


@pytest.mark.parametrize(("age_s", "is_judged"), [(BEFORE_FOR_S, True), (BEFORE_FOR_S + 0.1, False)])
def test_a_last_word_from_too_long_before_a_burst_is_not_compared_with(age_s: float, is_judged: bool) -> None:
    trust = burst_begun(said(0.4, 0.0), age_s)
    trust = burst_given(trust, age_s + 5.0, is_good=True, slow_wet=None)

    trust = heard_share(trust, 0.4, age_s + 5.0 + SETTLES_S)

    assert trust.flat_bursts == int(is_judged)


def test_a_sensor_that_speaks_every_second_is_judged_by_what_it_said_before_the_valve_opened() -> None:
    """Mist moves it while the valve is open: the last word before the shutting is of the burst already."""
    trust = burst_begun(said(0.4, 100.0), 100.5)
    for second in range(1, 8):
        trust = heard_share(trust, 0.4 + 0.07 * second, 100.0 + second)
    trust = burst_given(trust, 107.5, is_good=True, slow_wet=0.4)

    trust = heard_share(trust, 0.9, 107.5 + SETTLES_S)

    assert (trust.swings, trust.flat_bursts, trust.wet_bursts) == (1, 0, 0)


def test_nothing_is_judged_while_a_burst_runs_on() -> None:
    trust = burst(UNHEARD, 0.4, 0.9)
    trust = burst_begun(trust, trust.at_s + 100.0)

    trust = heard_share(trust, 0.9, trust.at_s + 110.0)

    assert (trust.swings, trust.flat_bursts) == (1, 0)


def test_a_burst_found_afterwards_proves_nothing() -> None:
    trust = said(0.4, 0.0)
    trust = burst_given(trust, 10.0, is_good=True, slow_wet=0.0)

    trust = heard_share(trust, 0.4, 10.0 + SETTLES_S)

    assert (trust.flat_bursts, trust.wet_bursts) == (0, 0)


# ---- far too wet


@pytest.mark.parametrize(("count", "is_doubted"), [(WET_STRIKES - 1, False), (WET_STRIKES, True)])
def test_a_sensor_far_wetter_than_the_slowest_film_at_six_bursts_is_doubted(
    count: int, is_doubted: bool
) -> None:
    assert bool(lime(UNHEARD, count, 0.9, 0.3).doubt) is is_doubted


def test_lime_is_told_with_both_figures() -> None:
    assert lime(UNHEARD, WET_STRIKES, 0.9, 0.3).doubt == (
        "it reads 90 % wet where the slowest drying leaves 30 %, at 6 bursts: lime or salts read as wet"
    )


@pytest.mark.parametrize(
    ("slow_wet", "counts"),
    [(0.9 - TOO_WET_BY - 0.001, True), (0.9 - TOO_WET_BY + 0.001, False), (0.9, False), (None, False)],
)
def test_far_too_wet_is_a_third_above_the_slowest_film(slow_wet: float | None, counts: bool) -> None:
    assert burst(UNHEARD, 0.9, 0.9, slow_wet=slow_wet).wet_bursts == int(counts)


def test_exactly_at_the_limit_is_too_wet() -> None:
    assert burst(UNHEARD, TOO_WET_BY, 0.9, slow_wet=0.0).wet_bursts == 1


def test_a_burst_at_which_it_was_as_dry_as_the_film_takes_one_back() -> None:
    trust = lime(UNHEARD, WET_STRIKES - 1, 0.9, 0.3)

    trust = burst(trust, 0.4, 0.9, slow_wet=0.3)
    assert trust.wet_bursts == WET_STRIKES - 2
    trust = lime(trust, 1, 0.9, 0.3)

    assert not trust.doubt


def test_wet_bursts_are_counted_no_lower_than_nought() -> None:
    assert bursts(UNHEARD, 5, 0.4, 0.9, slow_wet=0.4).wet_bursts == 0


# ---- against its neighbours


def apart_for(share: float, others: Sequence[float], for_s: float) -> WetnessTrust:
    trust = compared(said(share), others, 1000.0)
    return compared(trust, others, 1000.0 + for_s)


@pytest.mark.parametrize(("share", "other"), [(0.0, 1.0), (1.0, 0.0)])
def test_a_wet_word_against_a_dry_one_proves_neither(share: float, other: float) -> None:
    assert apart_for(share, [other], 100.0 * APART_FOR_S).is_trusted


@given(share=st.floats(-0.2, 1.2), other=st.floats(-0.2, 1.2), for_s=st.floats(0.0, 1e6))
def test_two_cannot_outvote_each_other(share: float, other: float, for_s: float) -> None:
    """One neighbour, be it a sensor or the film, is one word against another."""
    assert apart_for(share, [other], for_s).is_trusted
    assert apart_for(share, [], for_s).is_trusted


@pytest.mark.parametrize(
    "others",
    [
        [0.2, 0.25],  # two sensors, or one and the film
        [0.2, 0.25, 0.3],
        [0.2, 0.2, 0.2, 0.2],
    ],
)
def test_two_or_more_witnesses_that_agree_outvote_the_odd_one(others: list[float]) -> None:
    assert not apart_for(0.9, others, APART_FOR_S).is_trusted
    assert apart_for(0.5, others, APART_FOR_S).is_trusted


def test_the_odd_one_is_told_with_what_its_neighbours_say() -> None:
    doubt = apart_for(0.9, [0.2, 0.25], APART_FOR_S).doubt

    assert doubt == "it reads 90 % wet and its neighbours 20 %, 25 %, for 30 min"


def test_of_three_the_two_that_agree_stay() -> None:
    shares = [0.1, 0.15, 0.9]

    trusts = [apart_for(shares[i], shares[:i] + shares[i + 1 :], APART_FOR_S) for i in range(3)]

    assert [trust.is_trusted for trust in trusts] == [True, True, False]


@pytest.mark.parametrize(
    ("others", "is_doubted"),
    [
        ([0.0, 0.0 + APART], True),  # they agree, just
        ([0.0, 0.0 + APART + 0.001], False),  # nobody knows who is right
        ([0.05, 0.9, 0.5], False),
    ],
)
def test_witnesses_that_disagree_among_themselves_outvote_nobody(
    others: list[float], is_doubted: bool
) -> None:
    assert apart_for(1.0, others, APART_FOR_S).is_trusted is not is_doubted


@pytest.mark.parametrize(("share", "is_apart"), [(APART, False), (APART + 0.001, True), (-0.2, False)])
def test_apart_is_two_fifths_from_the_middle(share: float, is_apart: bool) -> None:
    assert (compared(said(share), [0.0, 0.0], 5.0).apart_since_s < inf) is is_apart


def test_a_dry_sensor_is_outvoted_like_a_wet_one() -> None:
    assert not apart_for(0.0, [0.8, 0.9], APART_FOR_S).is_trusted


@pytest.mark.parametrize(("for_s", "is_doubted"), [(APART_FOR_S - 0.1, False), (APART_FOR_S, True)])
def test_it_has_to_be_apart_for_half_an_hour(for_s: float, is_doubted: bool) -> None:
    assert apart_for(0.9, [0.2, 0.2], for_s).is_trusted is not is_doubted


@pytest.mark.parametrize("others", [[0.8, 0.9], [0.2], []])
def test_once_nobody_outvotes_it_the_half_hour_begins_anew(others: list[float]) -> None:
    trust = apart_for(0.9, [0.2, 0.2], APART_FOR_S - 1.0)

    trust = compared(trust, others, 2790.0)

    assert compared(trust, [0.2, 0.2], 2801.0).is_trusted


def test_an_unheard_sensor_is_compared_with_nobody() -> None:
    assert compared(UNHEARD, [0.2, 0.2], 1e6) is UNHEARD


# ---- coming back

DOUBTED = bursts(UNHEARD, STRIKES, 0.4, 0.4)


@pytest.mark.parametrize(
    ("swings", "is_trusted"), [(TRUSTED_AFTER - 1, False), (TRUSTED_AFTER, True), (TRUSTED_AFTER + 1, True)]
)
def test_a_doubted_sensor_is_believed_after_three_good_swings_running(swings: int, is_trusted: bool) -> None:
    assert bursts(DOUBTED, swings, 0.3, 0.9).is_trusted is is_trusted


def test_a_flat_burst_between_swings_makes_it_begin_anew() -> None:
    trust = burst(bursts(DOUBTED, TRUSTED_AFTER - 1, 0.3, 0.9), 0.3, 0.3)

    assert not bursts(trust, TRUSTED_AFTER - 1, 0.3, 0.9).is_trusted
    assert bursts(trust, TRUSTED_AFTER, 0.3, 0.9).is_trusted


@pytest.mark.parametrize(("before", "counts"), [(SWINGS_BELOW, True), (SWINGS_BELOW + EDGE, False)])
def test_only_a_rise_from_dry_enough_is_a_swing(before: float, counts: bool) -> None:
    assert burst(DOUBTED, before, before + 0.2).swings == int(counts)


def test_swings_from_before_the_doubt_do_not_count() -> None:
    trust = bursts(UNHEARD, 50, 0.3, 0.9)
    trust = bursts(trust, STRIKES, 0.3, 0.3)

    assert trust.swings == 0
    assert not burst(trust, 0.3, 0.9).is_trusted


def test_a_sensor_that_came_back_starts_with_a_clean_slate() -> None:
    limed = lime(UNHEARD, WET_STRIKES, 0.9, 0.3)
    apart = replace(limed, apart_since_s=5.0)

    trust = bursts(apart, TRUSTED_AFTER, 0.3, 0.9)

    assert (trust.doubt, trust.wet_bursts, trust.flat_bursts, trust.swings) == ("", 0, 0, 0)
    assert trust.apart_since_s == inf


def test_lime_that_swings_a_little_high_up_does_not_come_back() -> None:
    limed = lime(UNHEARD, WET_STRIKES, 0.9, 0.3)

    assert not bursts(limed, 20, 0.8, 0.9).is_trusted


def test_a_doubt_keeps_its_first_reason() -> None:
    doubt = DOUBTED.doubt

    again = heard_share(bursts(DOUBTED, STRIKES, 0.4, 0.4), 2.0, 1e6)

    assert again.doubt == doubt


@given(
    st.lists(
        st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0)), min_size=1, max_size=30
    )
)
def test_a_sensor_is_only_ever_believed_again_after_three_swings_of_its_own(
    lived: list[tuple[float, float, float]],
) -> None:
    trust, swings = DOUBTED, 0
    for before, after, slow_wet in lived:
        trust = burst(trust, before, after, slow_wet=slow_wet)
        has_swung = before <= SWINGS_BELOW and after - before >= RISES_BY
        swings += has_swung
        if trust.is_trusted:
            break

    assert not trust.is_trusted or swings >= TRUSTED_AFTER
