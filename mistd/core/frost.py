"""Frost: when water in the line and on the bench would turn to ice, nothing is misted.

Frost kills cuttings and a wrong frost veto kills them too, so it takes two good readings of one probe under
the limit, spanning the delay, and it never holds in the light or against another probe that reads warm.
A probe that falls silent takes its word with it.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from mistd.core.sensors import SensorState

WARM_PROBE_C = 8.0  # another probe above this says that the cold one is wrong (design, section 4)
THAW_BAND_C = 1.0  # a cold probe is cold until it reads this much above the limit
LEAST_READINGS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Cold:
    """How long one probe has been under the limit, and by how many readings."""

    since_s: float
    last_s: float
    readings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Frost:
    """Which probes are cold, and whether that adds up to frost."""

    cold: Mapping[str, Cold]
    is_on: bool = False


NO_FROST = Frost(cold={})


def after_reading(frost: Frost, probe: str, value_c: float, at_s: float, limit_c: float) -> Frost:
    """The cold probes after one good reading; whether it is frost is left as it was."""
    before = frost.cold.get(probe)
    if value_c >= limit_c + (THAW_BAND_C if before and frost.is_on else 0.0):
        if before is None:
            return frost
        return without_probe(frost, probe)
    since_s, readings = (before.since_s, before.readings) if before else (at_s, 0)
    cold = Cold(since_s=since_s, last_s=at_s, readings=readings + 1)
    return Frost(cold={**frost.cold, probe: cold}, is_on=frost.is_on)


def without_probe(frost: Frost, probe: str) -> Frost:
    """The cold probes without one that has fallen silent: when it is back, its proof begins anew."""
    if probe not in frost.cold:
        return frost
    return Frost(cold={name: cold for name, cold in frost.cold.items() if name != probe}, is_on=frost.is_on)


def is_frost(frost: Frost, probes: Iterable[SensorState], delay_s: float, *, is_light: bool) -> bool:
    """Whether the cold probes add up to frost, given every air temperature probe of the house."""
    if is_light or not frost.cold:
        return False
    values = {probe.plan.name: probe.good_value for probe in probes}
    return any(
        values.get(name) is not None and _is_proved(cold, delay_s) and not _is_contradicted(name, values)
        for name, cold in frost.cold.items()
    )


def _is_proved(cold: Cold, delay_s: float) -> bool:
    return cold.readings >= LEAST_READINGS and cold.last_s - cold.since_s >= delay_s


def _is_contradicted(probe: str, values: Mapping[str, float | None]) -> bool:
    return any(
        value is not None and value > WARM_PROBE_C for other, value in values.items() if other != probe
    )
