"""Whether a leaf-wetness sensor may be believed: what it said before and after bursts, and against the film.

Lime and feed salts make a sensor read wet for ever, and cuttings die of that; a broken wire makes it read
dry, and they rot. So a sensor has to show, burst by burst, that it moves. One that does not rise after a good
burst, never falls as far as the film does, sits beyond its own dry or wet value, or contradicts its
neighbours is doubted, named and dropped; it is believed again once it has swung with so many bursts running.

This file knows one sensor at a time, as a share 0 dry to 1 wet, and what others told of the same bench.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

from mistd.core.units import PERCENT

# All ours: no sensor was measured. A share of 0.05 is 33 mV of the plate that the simulator has.
BEYOND_OWN = 0.2  # under its dry or over its wet value by so much is at a rail, or not calibrated
RISES_BY = 0.05  # the least that a good burst does
NEEDS_RISE_BELOW = 0.7  # a sensor wetter than this before a burst need not rise
SWINGS_BELOW = 0.6  # it has to have been this dry before a burst for the rise to prove anything
TOO_WET_BY = 0.35  # above the slowest film's wet share as a burst falls due
APART = 0.4  # from the middle of three or more witnesses
STRIKES = 3  # bursts running without a rise
WET_STRIKES = 6  # bursts at which it was far too wet
APART_FOR_S = 1800.0
TRUSTED_AFTER = 3  # good swings running
SETTLES_S = 30.0  # after the valve has shut: by then the plate has caught what it will
JUDGED_WITHIN_S = 240.0  # a reading later than this says nothing of the burst any more
BEFORE_FOR_S = 900.0  # how old the last reading before a burst may be


@dataclass(frozen=True, slots=True, kw_only=True)
class WetnessTrust:
    """What is known of one sensor."""

    share: float | None = None  # as it last said
    at_s: float = -inf
    before: float | None = None  # what it said last before the burst that is judged opened; None: none is
    is_open: bool = False  # that burst runs still
    is_good_burst: bool = False  # that burst was long enough to wet it
    shut_s: float = -inf
    flat_bursts: int = 0
    wet_bursts: int = 0
    apart_since_s: float = inf
    swings: int = 0  # good ones since it was doubted
    doubt: str = ""  # in words; empty while it is trusted

    @property
    def is_trusted(self) -> bool:
        """Whether its word counts."""
        return self.share is not None and not self.doubt


UNHEARD = WetnessTrust()


def heard_share(trust: WetnessTrust, share: float, at_s: float) -> WetnessTrust:
    """After a reading; the first one that has settled after a burst is what the burst is judged by."""
    after = replace(trust, share=share, at_s=at_s)
    if not -BEYOND_OWN <= share <= 1.0 + BEYOND_OWN:
        end = "dry" if share < 0.0 else "wet"
        return _doubted(
            after,
            f"it reads {_percent(share)} wet, beyond its own {end} value: a rail, a wire or a calibration",
        )
    if trust.before is None or trust.is_open or at_s < trust.shut_s + SETTLES_S:
        return after
    judged = replace(after, before=None)
    if at_s > trust.shut_s + JUDGED_WITHIN_S or not trust.is_good_burst:
        return judged
    return _judged(judged, trust.before, share)


def _judged(trust: WetnessTrust, before: float, share: float) -> WetnessTrust:
    """After the reading by which a burst is judged."""
    has_risen = share - before >= RISES_BY
    if has_risen:
        swings = trust.swings + 1 if before <= SWINGS_BELOW else trust.swings
        risen = replace(trust, flat_bursts=0, swings=swings)
        if risen.doubt and swings >= TRUSTED_AFTER:
            return replace(risen, doubt="", swings=0, wet_bursts=0, apart_since_s=inf)
        return risen
    if before >= NEEDS_RISE_BELOW:
        return trust
    flat = replace(trust, flat_bursts=trust.flat_bursts + 1, swings=0)
    if flat.flat_bursts < STRIKES:
        return flat
    moved = f"{_percent(before)} wet before, {_percent(share)} after"
    return _doubted(flat, f"it did not rise after {flat.flat_bursts} good bursts: {moved}")


def burst_begun(trust: WetnessTrust, opened_s: float) -> WetnessTrust:
    """As a burst begins: what the sensor said last is what it was before; the mist moves it at once."""
    is_fresh = opened_s - trust.at_s <= BEFORE_FOR_S
    return replace(trust, before=trust.share if is_fresh else None, is_open=True)


def burst_given(trust: WetnessTrust, shut_s: float, *, is_good: bool, slow_wet: float | None) -> WetnessTrust:
    """After a burst has ended; one of which no beginning was told proves nothing.

    Args:
        trust: of the sensor.
        shut_s: when the valve shut.
        is_good: whether it was long enough to wet the sensor.
        slow_wet: the wet share that the slowest film would have had as it began; None when none is reckoned.
    """
    before = trust.before if trust.is_open else None
    after = replace(trust, before=before, is_open=False, is_good_burst=is_good, shut_s=shut_s)
    if slow_wet is None or before is None:
        return after
    if before - slow_wet < TOO_WET_BY:
        return replace(after, wet_bursts=max(0, trust.wet_bursts - 1))
    wet_bursts = min(trust.wet_bursts + 1, 2 * WET_STRIKES)
    after = replace(after, wet_bursts=wet_bursts, swings=0)
    if wet_bursts < WET_STRIKES:
        return after
    return _doubted(
        after,
        f"it reads {_percent(before)} wet where the slowest drying leaves {_percent(slow_wet)}, "
        f"at {wet_bursts} bursts: lime or salts read as wet",
    )


def compared(trust: WetnessTrust, others: Sequence[float], now_s: float) -> WetnessTrust:
    """After a look at its neighbours and the film: two or more others, or nobody can be outvoted."""
    if trust.share is None or len(others) < 2:
        return trust if trust.apart_since_s == inf else replace(trust, apart_since_s=inf)
    middle = sorted([*others, trust.share])[(len(others) + 1) // 2]
    agree = max(others) - min(others) <= APART
    if not agree or abs(trust.share - middle) <= APART:
        return trust if trust.apart_since_s == inf else replace(trust, apart_since_s=inf)
    since_s = min(trust.apart_since_s, now_s)
    after = replace(trust, apart_since_s=since_s, swings=0)
    if now_s - since_s < APART_FOR_S:
        return after
    said = ", ".join(f"{_percent(other)}" for other in others)
    return _doubted(
        after,
        f"it reads {_percent(trust.share)} wet and its neighbours {said}, for {APART_FOR_S / 60.0:g} min",
    )


def _percent(share: float) -> str:
    return f"{share * PERCENT:.0f} %"


def _doubted(trust: WetnessTrust, doubt: str) -> WetnessTrust:
    return replace(trust, doubt=trust.doubt or doubt, swings=0)
