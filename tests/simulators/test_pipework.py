"""Pressure and flow as the equations demand, lines that fill first, and no litre lost."""

from math import inf, sqrt
from random import Random

import pytest

from simulators.plant.pipework import LinePlan, MainsPlan, Pipework

EVEN_MAINS = MainsPlan(mean_bar=3.5, swing_bar=0.0, loss_bar_per_l_per_min2=0.006)
MAINS_WITHOUT_LOSS = MainsPlan(mean_bar=3.5, swing_bar=0.0, loss_bar_per_l_per_min2=0.0)


def line(name: str = "north", **changed: float) -> LinePlan:
    """Twelve nozzles of 0.6 l/min at 3 bar; a line that needs no filling unless a test says so."""
    plan: dict[str, float] = {"nozzles": 12, "nozzle_flow_l_per_min": 0.6, "nozzle_pressure_bar": 3.0}
    plan |= {"volume_l": 0.0, "loss_bar": 0.15} | changed
    return LinePlan(name=name, **plan)  # type: ignore[arg-type]


def test_nozzles_give_their_rated_flow_at_their_rated_pressure() -> None:
    pipework = Pipework(MAINS_WITHOUT_LOSS, [line()])

    (flowing,) = pipework.flow(60.0, 3.15, ["north"])  # 3 bar at the nozzles and 0.15 lost on the way

    assert flowing.flow_l_per_min == pytest.approx(12 * 0.6)
    assert flowing.sprayed_l == pytest.approx({"north": 7.2})
    assert pipework.line("north").nozzle_bar(3.15) == pytest.approx(3.0)


@pytest.mark.parametrize(("pressure_factor", "flow_factor"), [(2.0, 1.41421), (0.8, 0.89443), (0.5, 0.70711)])
def test_flow_follows_the_square_root_of_pressure(pressure_factor: float, flow_factor: float) -> None:
    """q = k sqrt(p), the turbulent orifice of the Hydraulic Institute's data tool."""
    pipework = Pipework(MAINS_WITHOUT_LOSS, [line()])

    (_, before), (_, after) = (pipework.present(3.0 * factor, ["north"]) for factor in (1.0, pressure_factor))

    assert after / before == pytest.approx(flow_factor, abs=0.00001)


@pytest.mark.parametrize("open_lines", [["north"], ["north", "south"], ["north", "south", "east"]])
def test_the_pressure_solves_mains_and_nozzles_at_once(open_lines: list[str]) -> None:
    """p = p_static - r q^2 at the manifold, and at each nozzle p_nozzle = (q_nozzle / k)^2."""
    pipework = Pipework(EVEN_MAINS, [line("north"), line("south", nozzles=8), line("east", nozzles=20)])

    (flowing,) = pipework.flow(1.0, 3.5, open_lines)

    assert flowing.pressure_bar == pytest.approx(3.5 - 0.006 * flowing.flow_l_per_min**2)
    for name in open_lines:
        plan = pipework.line(name).plan
        nozzle_l_per_min = flowing.sprayed_l[name] * 60.0 / plan.nozzles
        nozzle_bar = 3.0 * (nozzle_l_per_min / 0.6) ** 2
        lost_bar = 0.15 * (nozzle_l_per_min / 0.6) ** 2
        assert nozzle_bar + lost_bar == pytest.approx(flowing.pressure_bar)


def test_every_zone_more_lowers_the_pressure_for_all() -> None:
    plans = [line(name) for name in ("a", "b", "c")]
    pipework = Pipework(EVEN_MAINS, plans)

    pressures = [
        pipework.present(3.5, open_lines)[0] for open_lines in ([], ["a"], ["a", "b"], ["a", "b", "c"])
    ]

    assert pressures[0] == 3.5
    assert pressures == sorted(pressures, reverse=True)
    assert len(set(pressures)) == 4


# --- filling and draining


def test_a_line_fills_before_it_sprays() -> None:
    pipework = Pipework(EVEN_MAINS, [line(volume_l=0.4)])

    filling, spraying = pipework.flow(10.0, 3.5, ["north"])

    assert filling.sprayed_l == {"north": 0.0}
    assert filling.flow_l_per_min * filling.duration_s / 60.0 == pytest.approx(0.4)
    assert filling.flow_l_per_min > spraying.flow_l_per_min  # an empty line takes more than its nozzles
    assert filling.pressure_bar < spraying.pressure_bar
    assert filling.duration_s + spraying.duration_s == pytest.approx(10.0)
    assert spraying.sprayed_l["north"] == pytest.approx(spraying.flow_l_per_min * spraying.duration_s / 60.0)


def test_a_burst_shorter_than_the_filling_wets_nothing() -> None:
    pipework = Pipework(EVEN_MAINS, [line(volume_l=0.4)])
    filling_s = pipework.flow(10.0, 3.5, ["north"])[0].duration_s
    fresh = Pipework(EVEN_MAINS, [line(volume_l=0.4)])

    fresh.flow(0.99 * filling_s, 3.5, ["north"])

    assert fresh.line("north").sprayed_l == 0.0
    assert fresh.supplied_l == pytest.approx(0.99 * 0.4)


def test_small_steps_fill_a_line_at_the_same_instant_as_one_large_step() -> None:
    at_once, bit_by_bit = (
        Pipework(EVEN_MAINS, [line(volume_l=0.4)]),
        Pipework(EVEN_MAINS, [line(volume_l=0.4)]),
    )

    at_once.flow(6.0, 3.5, ["north"])
    for _ in range(60):
        bit_by_bit.flow(0.1, 3.5, ["north"])

    assert bit_by_bit.line("north").sprayed_l == pytest.approx(at_once.line("north").sprayed_l, rel=1e-9)


def test_a_shut_line_runs_empty_and_must_fill_again() -> None:
    pipework = Pipework(EVEN_MAINS, [line(volume_l=0.4, drains_over_s=100.0)])
    pipework.flow(10.0, 3.5, ["north"])

    pipework.flow(25.0, 3.5, [])
    quarter_gone_l = pipework.line("north").drained_l
    pipework.flow(1000.0, 3.5, [])
    stretches = pipework.flow(10.0, 3.5, ["north"])

    assert quarter_gone_l == pytest.approx(0.1)
    assert pipework.line("north").drained_l == pytest.approx(0.4)
    assert stretches[0].sprayed_l == {"north": 0.0}


def test_a_line_that_holds_sprays_at_once_when_it_opens_again() -> None:
    pipework = Pipework(EVEN_MAINS, [line(volume_l=0.4, drains_over_s=inf)])
    pipework.flow(10.0, 3.5, ["north"])
    pipework.flow(3600.0, 3.5, [])

    stretches = pipework.flow(1.0, 3.5, ["north"])

    assert len(stretches) == 1
    assert stretches[0].sprayed_l["north"] > 0.0


# --- nozzles that open and shut by pressure


@pytest.mark.parametrize(("static_bar", "sprays"), [(0.0, False), (0.999, False), (1.0, True), (1.5, True)])
def test_nozzles_stay_shut_below_their_opening_pressure(static_bar: float, sprays: bool) -> None:
    pipework = Pipework(EVEN_MAINS, [line(nozzle_opens_bar=1.0, nozzle_shuts_bar=0.5)])

    (flowing,) = pipework.flow(10.0, static_bar, ["north"])

    assert (flowing.sprayed_l["north"] > 0.0) is sprays
    assert (flowing.flow_l_per_min > 0.0) is sprays


def test_open_nozzles_keep_spraying_down_to_their_shutting_pressure() -> None:
    """0.5 bar at the nozzles takes 0.525 bar at the manifold; there is no loss before it."""
    pipework = Pipework(MAINS_WITHOUT_LOSS, [line(nozzle_opens_bar=1.0, nozzle_shuts_bar=0.5)])
    pipework.flow(1.0, 3.0, ["north"])

    (above,) = pipework.flow(1.0, 0.526, ["north"])
    (below,) = pipework.flow(1.0, 0.524, ["north"])
    (after,) = pipework.flow(1.0, 0.999, ["north"])

    assert above.flow_l_per_min == pytest.approx(12 * 0.6 * sqrt(0.526 / 1.05 / 3.0))
    assert (below.flow_l_per_min, below.pressure_bar) == (0.0, 0.524)
    assert after.flow_l_per_min == 0.0  # once shut they need their opening pressure again


def test_where_the_water_is_short_the_weakest_nozzles_give_up_first() -> None:
    weak = line("weak", loss_bar=1.5, nozzle_shuts_bar=0.9)
    pipework = Pipework(EVEN_MAINS, [weak, line("strong", nozzle_shuts_bar=0.9)])

    (flowing,) = pipework.flow(10.0, 1.4, ["weak", "strong"])

    assert flowing.sprayed_l["weak"] == 0.0
    assert flowing.sprayed_l["strong"] > 0.0


# --- the whole


def test_the_order_of_open_lines_changes_nothing() -> None:
    names = ["a", "b", "c", "d"]
    plans = [line(name, nozzles=5 + place, volume_l=0.3) for place, name in enumerate(names)]
    forwards, backwards = Pipework(EVEN_MAINS, plans), Pipework(EVEN_MAINS, plans)

    one = forwards.flow(7.3, 3.5, names)
    other = backwards.flow(7.3, 3.5, names[::-1])

    assert one == other


@pytest.mark.parametrize("seed", range(5))
def test_no_litre_is_lost_or_made(seed: int) -> None:
    """supplied = sprayed + drained + standing in the lines, to 1e-9, after any history."""
    rng = Random(seed)
    names = ["a", "b", "c"]
    pipework = Pipework(EVEN_MAINS, [line(name, volume_l=0.4, drains_over_s=200.0) for name in names])
    counted_l = 0.0
    for _ in range(1000):
        open_lines = [name for name in names if rng.random() < 0.3]
        stretches = pipework.flow(rng.uniform(0.05, 60.0), rng.uniform(0.0, 4.0), open_lines)
        counted_l += sum(s.flow_l_per_min * s.duration_s / 60.0 for s in stretches)

    lines = [pipework.line(name) for name in names]
    found_l = sum(each.sprayed_l + each.drained_l + each.filled_l for each in lines)
    assert found_l == pytest.approx(pipework.supplied_l, rel=1e-9), f"seed {seed}"
    assert counted_l == pytest.approx(pipework.supplied_l, rel=1e-9), f"seed {seed}"
    assert pipework.supplied_l > 1000.0  # it did run


@pytest.mark.parametrize(("hour", "bar"), [(3.0, 3.9), (9.0, 3.6), (15.0, 3.3), (21.0, 3.6), (27.0, 3.9)])
def test_the_mains_are_strong_while_people_sleep(hour: float, bar: float) -> None:
    mains = MainsPlan(mean_bar=3.6, swing_bar=0.3, highest_at_h=3.0)

    assert mains.static_bar(hour) == pytest.approx(bar)
