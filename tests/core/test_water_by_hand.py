"""A zone's water over a day against a calculation made by hand, not by the program.

Zone "geraniums": 20 nozzles of 0.12 l/min, so 2.4 l/min with the valve open. Its timetable:

    night  18:00 to 06:00   6 s every 30 min   (gap 1794 s from shut to due, so a period of 1800 s)
    day    06:00 to 18:00   6 s every 10 min   (gap  594 s, a period of 600 s)

By hand, from midnight, misted last at 23:30:06 the evening before:

    00:00, 00:30, ... 05:30                      12 bursts
    06:00 (day begins; its gap ended 05:40:00)
    06:00, 06:10, ... 17:50                      72 bursts
    18:00 night begins: 17:50:06 + 1794 s = 18:20:00
    18:20, 18:50, ... 23:50                      12 bursts
                                                 96 bursts of 6 s = 576 s = 9.6 min

    9.6 min x 20 nozzles x 0.12 l/min = 23.04 l, and 23.04 l / 86,400 s is a mean of 0.016 l/min.
    On a bench of 8 m2 that is 23.04 / 8 = 2.88 mm a day.
"""

import pytest

from mistd.core.almanac import DayPart
from mistd.core.events import EventKind
from tests.core.houses import PaperHouse, almanac, house_at_work, house_plan, timetable, zone_plan

HOUR_S = 3600.0
CYCLE = timetable(6.0, 1794.0, others={DayPart.DAY: (6.0, 594.0)})
GERANIUMS = zone_plan("geraniums", CYCLE, nozzles=20, nozzle_flow_l_per_min=0.12)


def a_day_lived() -> PaperHouse:
    """From midnight to the next, second 0 to 86,400, with a keeper that does what it is told."""
    night = almanac(DayPart.NIGHT)
    paper = house_at_work(house_plan(GERANIUMS), part=night, shut_s={"geraniums": -1794.0})
    paper.open_what_was_ordered()
    for hour, part in ((6.0, DayPart.DAY), (18.0, DayPart.NIGHT)):
        paper.mist_until(hour * HOUR_S - 1.0)
        paper.decide(hour * HOUR_S, almanac(part))
        paper.open_what_was_ordered()
    paper.mist_until(24.0 * HOUR_S - 1.0)
    return paper


def test_a_days_water_is_burst_seconds_times_nozzles_times_flow_by_hand() -> None:
    today = a_day_lived().zone("geraniums").today

    assert today.bursts == 96
    assert today.open_s == pytest.approx(576.0)
    assert today.water_l == pytest.approx(23.04)
    assert today.water_l / (24.0 * 60.0) == pytest.approx(0.016)
    assert today.water_l / GERANIUMS.bench_area_m2 == pytest.approx(2.88)


def test_the_bursts_fall_on_the_minutes_worked_out_by_hand() -> None:
    minutes = [at_s / 60.0 for at_s, _, _ in a_day_lived().orders()]

    by_hand = [*range(0, 360, 30), *range(360, 1080, 10), *range(1100, 1440, 30)]
    assert minutes == pytest.approx(by_hand)


def test_the_water_told_burst_by_burst_adds_up_to_the_days() -> None:
    paper = a_day_lived()

    told_l = sum(float(event.figures["water_l"]) for event in paper.told(EventKind.BURST_ENDED))

    assert told_l == pytest.approx(23.04)
