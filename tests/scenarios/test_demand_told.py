"""A bright forenoon of zones on demand: what was told of them beforehand, against what came."""

import pytest

from mistd.app.messages import ZoneTold
from mistd.app.telling_demand import AT_MOST_EVERY_S, MOVED_BY_S
from simulators.plant.weather import typical_year_day
from simulators.rig import Rig
from tests.app.house_files import Change, set_to
from tests.scenarios.days import MIDNIGHT, TOPICS, Day, carolina_house, hours

BEGINS_S, LASTS_S = hours(7.0), hours(6.0)
QUEUE_S = 20.0  # a zone may wait so long for others on the line
ZONES = ("door-left", "middle-left")


@pytest.fixture(scope="module")
def forenoon(tmp_path_factory: pytest.TempPathFactory) -> Day:
    """The door's bench by its film, the middle one by the deficit; both share the house's sensors."""
    cycles: list[Change] = [set_to("zones.0.cycle", "film"), set_to("zones.2.cycle", "vpd")]
    config = carolina_house(tmp_path_factory.mktemp("house"), *cycles)
    day = Day(config)
    rig = Rig(config, MIDNIGHT, weather=typical_year_day(month=6, day=12), begins_s=BEGINS_S)
    day.live(rig, LASTS_S)
    return day


def told_of(day: Day, zone: str) -> list[tuple[float, ZoneTold]]:
    return [(at_s, each) for at_s, each in day.states(TOPICS.zone(zone)) if isinstance(each, ZoneTold)]


@pytest.mark.parametrize("zone", ZONES)
def test_each_burst_came_when_it_was_last_expected(zone: str, forenoon: Day) -> None:
    """A forecast may be told a minute late and be half a minute off; then the line may be taken."""
    told = told_of(forenoon, zone)
    rig = forenoon.rigs[0]
    bursts = forenoon.bursts_of(zone)[1:]
    off_s = []
    for burst in bursts:
        expected = [
            each.next_burst_at for at_s, each in told if at_s < burst.opened_s and each.doing == "resting"
        ][-1]
        assert expected is not None
        off_s.append(burst.opened_s - (expected - rig.clock.starts_at).total_seconds())

    assert len(bursts) > 10
    assert max(off_s) <= MOVED_BY_S + QUEUE_S
    assert min(off_s) >= -(MOVED_BY_S + AT_MOST_EVERY_S)


@pytest.mark.parametrize("zone", ZONES)
def test_a_zone_on_demand_is_not_told_at_every_reading(zone: str, forenoon: Day) -> None:
    """Readings come every ten seconds: 2160 times in six hours."""
    told = len(told_of(forenoon, zone))
    bursts = len(forenoon.bursts_of(zone))

    assert 3 * bursts < told < 4 * bursts + LASTS_S / AT_MOST_EVERY_S / 2.0
