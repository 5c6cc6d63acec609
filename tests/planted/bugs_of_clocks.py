"""Bugs in what the house makes of its wall clock, each with the test that catches it."""

from tests.planted.bug import Bug

CLOCKS: tuple[Bug, ...] = (
    Bug(
        name="gaps-and-holds-by-the-wall-clock",
        promise="cycles and guards run on the monotonic clock: a step moves no burst and no hold",
        file="mistd/app/control_loop.py",
        good="        now_s = self._clock.now_s()\n        decision = ",
        bad="        wall_s = self._clock.utc().timestamp()\n"
        '        now_s = wall_s - self.__dict__.setdefault("began_s", wall_s - self._clock.now_s())\n'
        "        decision = ",
        caught_by="tests/scenarios/test_clock_steps.py::test_a_step_that_changes_no_part_of_the_day_moves_no_burst[10min-forward]",
    ),
    Bug(
        name="a-new-date-is-a-new-day",
        promise="a step of the wall clock repeats no daily duty",
        file="mistd/core/decide.py",
        good="        return almanac.day_began_s - since_s >= SHORTEST_DAY_S\n    if since_s > -inf:\n",
        bad="        return almanac.local_date != turn.counting_date\n    if since_s > -inf:\n",
        caught_by="tests/scenarios/test_clock_steps.py::test_a_step_of_the_clock_breaks_no_promise[24h_forward_before_night_for_good]",
    ),
    Bug(
        name="midnights-half-a-day-apart-are-two",
        promise="a wrong midnight and the true one end one day",
        file="mistd/core/decide.py",
        good="SHORTEST_DAY_S = 13 * 3600.0",
        bad="SHORTEST_DAY_S = 12 * 3600.0",
        caught_by="tests/core/test_day_parts.py::test_of_two_midnights_half_of_the_longest_day_apart_one_counts",
    ),
    Bug(
        name="an-untrusted-clock-ends-the-day",
        promise="a clock that is not trusted ends no day",
        file="mistd/core/decide.py",
        good="    if since_s > -inf and almanac.is_trusted:\n",
        bad="    if since_s > -inf:\n",
        caught_by="tests/core/test_day_parts.py::test_an_untrusted_clocks_date_ends_no_day_and_is_not_taken_over",
    ),
    Bug(
        name="a-hold-until-a-time-of-day",
        promise="a hold lasts as long as was asked, however the wall clock is moved",
        file="mistd/core/decide.py",
        good="    _count_days(turn, before, almanac)\n",
        bad="    _count_days(turn, before, almanac)\n"
        "    for index, zone in enumerate(turn.house.zones):\n"
        "        if zone.hold:\n"
        "            by_s = (almanac.day_began_s - before.day_began_s + 43_200.0) % 86_400.0 - 43_200.0\n"
        "            hold = turn.touch(index).hold\n"
        "            turn.touch(index).hold = type(hold)(ends_s=hold.ends_s + by_s, author='Jo', note='')\n",
        caught_by="tests/scenarios/test_clock_steps.py::test_a_step_of_the_clock_breaks_no_promise[1min_forward_before_midnight_distrusted]",
    ),
    Bug(
        name="a-part-that-begins-catches-up",
        promise="a step into another part of the day makes nothing due that is not due by its gap",
        file="mistd/core/decide.py",
        good="            turn.set_mark(zone)\n",
        bad="            turn.set_mark(zone)\n            zone.due_s = turn.now_s\n",
        caught_by="tests/scenarios/test_clock_steps.py::test_a_step_of_the_clock_breaks_no_promise[1s_back_noon_set_right]",
    ),
    Bug(
        name="a-step-goes-unnoticed",
        promise="after a step the sun places the day anew",
        file="mistd/app/calendar.py",
        good="        is_off = abs(self._offset_s - self._made_at_offset_s) > STEP_S\n",
        bad="        is_off = False\n",
        caught_by="tests/scenarios/test_clock_steps.py::test_a_step_of_the_clock_breaks_no_promise[11h59_back_before_dusk_set_right]",
    ),
    Bug(
        name="a-drift-goes-unnoticed",
        promise="a drifting clock is followed: the parts of the day begin when it says",
        file="mistd/app/calendar.py",
        good="        is_off = abs(self._offset_s - self._made_at_offset_s) > STEP_S\n",
        bad="        is_off = self.stepped_s != 0.0\n",
        caught_by="tests/scenarios/test_clock_steps.py::test_a_clock_that_drifts_is_followed_and_never_said_to_step[0.9]",
    ),
    Bug(
        name="a-step-is-told-again-and-again",
        promise="a step of the clock is told once",
        file="mistd/app/calendar.py",
        good="        moved_s, self._offset_s = offset_s - self._offset_s, offset_s\n",
        bad="        moved_s = offset_s - self._offset_s\n",
        caught_by="tests/scenarios/test_clock_steps.py::test_a_step_of_the_clock_breaks_no_promise[1min_forward_before_midnight_distrusted]",
    ),
    Bug(
        name="a-days-end-is-lost-with-the-power",
        promise="a midnight that passed while the machine was off, nobody knows how long, ends the day",
        file="mistd/core/durable.py",
        good="            if not is_time_away_known:\n                house.counting_since_s = -inf",
        bad="            if False:\n                house.counting_since_s = -inf",
        caught_by="tests/scenarios/test_wrong_clocks.py::test_a_machine_that_restarts_with_a_wrong_clock_loses_no_day[in_1970-20h-10800.0]",
    ),
    Bug(
        name="the-first-date-is-believed",
        promise="a new house takes its first trusted date over without ending a day",
        file="mistd/core/house.py",
        good="        counting_date=almanac.local_date if almanac.is_trusted else NO_DATE,\n",
        bad="        counting_date=almanac.local_date,\n",
        caught_by="tests/scenarios/test_wrong_clocks.py::test_a_new_house_whose_clock_is_set_late_ends_each_day_once[in_1970-600.0]",
    ),
)
