"""Bugs in misting on demand: what is added up, who is believed, who leads, what bounds it."""

from tests.planted.bug import Bug

SOURCE, THIRST = "mistd/core/demand_source.py", "mistd/core/thirst.py"
TRUST, ZONE = "mistd/core/wetness_trust.py", "mistd/core/zone_demand.py"
BY_DEMAND, WEEK = "mistd/core/by_demand.py", "mistd/core/own_week.py"
LEADING = "mistd/core/leading.py"

DEMAND: tuple[Bug, ...] = (
    Bug(
        name="no-mean-of-two-readings",
        promise="evenly moving readings are added up exactly at any interval",
        file=SOURCE,
        good="half_s = 0.5 * (look.now_s - was_s)",
        bad="half_s = 0.0",
        caught_by="tests/core/test_demand_source.py::"
        "test_an_evenly_rising_deficit_is_added_up_exactly_at_any_interval",
    ),
    Bug(
        name="only-the-last-to-speak-has-moved",
        promise="readings that come apart are each taken to have moved evenly",
        file=SOURCE,
        good="half_s = 0.5 * (look.now_s - was_s)",
        bad="half_s = 0.5 * (look.now_s - max(was_s, state.at_s))",
        caught_by="tests/core/test_demand_source.py::"
        "test_the_order_of_readings_at_one_instant_changes_nothing",
    ),
    Bug(
        name="nights-freeze-sensors",
        promise="what stands still by night is not frozen",
        file=SOURCE,
        good="same_s = look.now_s - max(state.same_since_s, look.light_since_s)",
        bad="same_s = look.now_s - state.same_since_s",
        caught_by="tests/core/test_demand_source_believed.py::"
        "test_a_value_that_stood_all_night_is_frozen_only_after_two_hours_of_light",
    ),
    Bug(
        name="frozen-by-time-alone",
        promise="a sensor that speaks seldom is not frozen",
        file=SOURCE,
        good=" and state.same_readings >= FROZEN_READINGS:",
        bad=":",
        caught_by="tests/core/test_demand_source_believed.py::"
        "test_by_light_a_value_is_frozen_after_two_hours_and_twenty_readings_both",
    ),
    Bug(
        name="fahrenheit-is-believed",
        promise="a reading that no house has is none",
        file=SOURCE,
        good="LEAST_AIR_C, MOST_AIR_C = -10.0, 55.0",
        bad="LEAST_AIR_C, MOST_AIR_C = -10.0, 70.0",
        caught_by="tests/core/test_demand_source_believed.py::"
        "test_a_possible_reading_that_no_house_has_is_none_and_is_named_with_its_limits",
    ),
    Bug(
        name="the-dead-ask-for-what-they-last-asked",
        promise="what nobody sees counts as usual",
        file=SOURCE,
        good="        rates = usual_rates(almanac)\n",
        bad="        rates = state.rates\n",
        caught_by="tests/core/test_demand_source_believed.py::test_a_dead_source_asks_for_a_days_usual_from_dawn_on",
    ),
    Bug(
        name="a-wet-sensor-talks-above-the-slow-film",
        promise="no sensor delays a burst beyond the slowest film",
        file=THIRST,
        good="min(before.driest_um + moved_um, max(before.slow_um, before.driest_um))",
        bad="before.driest_um + moved_um",
        caught_by="tests/core/test_thirst.py::"
        "test_a_sensor_wetter_for_long_brings_the_film_up_to_the_slow_one_and_no_further",
    ),
    Bug(
        name="up-as-fast-as-down",
        promise="a wetter sensor is believed more slowly than a drier one",
        file=THIRST,
        good="moved_um = off_um * (GAIN_UP if off_um > 0.0 else GAIN_DOWN)",
        bad="moved_um = off_um * GAIN_DOWN",
        caught_by="tests/core/test_thirst.py::"
        "test_a_drier_sensor_pulls_the_film_down_by_half_and_a_wetter_one_up_by_a_hundredth",
    ),
    Bug(
        name="two-sensors-outvote-each-other",
        promise="one neighbour is one word against another",
        file=TRUST,
        good="if trust.share is None or len(others) < 2:",
        bad="if trust.share is None or len(others) < 1:",
        caught_by="tests/core/test_wetness_trust.py::test_a_wet_word_against_a_dry_one_proves_neither",
    ),
    Bug(
        name="judged-before-it-has-settled",
        promise="a burst is judged by the first reading that has settled",
        file=TRUST,
        good="trust.is_open or at_s < trust.shut_s + SETTLES_S:",
        bad="trust.is_open or at_s < trust.shut_s:",
        caught_by="tests/core/test_wetness_trust.py::"
        "test_a_reading_that_has_not_settled_yet_leaves_the_judgement_to_the_next",
    ),
    Bug(
        name="judged-by-what-the-mist-did-already",
        promise="a sensor is judged by what it said before the valve opened",
        file=TRUST,
        good="    before = trust.before if trust.is_open else None\n",
        bad="    before = trust.share if trust.is_open else None\n",
        caught_by="tests/core/test_wetness_trust.py::"
        "test_a_sensor_that_speaks_every_second_is_judged_by_what_it_said_before_the_valve_opened",
    ),
    Bug(
        name="one-swing-is-enough",
        promise="a doubted sensor is believed after three good swings running",
        file=TRUST,
        good="if risen.doubt and swings >= TRUSTED_AFTER:",
        bad="if risen.doubt and swings >= 1:",
        caught_by="tests/core/test_wetness_trust.py::"
        "test_a_doubted_sensor_is_believed_after_three_good_swings_running",
    ),
    Bug(
        name="a-doubted-sensor-is-still-asked",
        promise="a doubted sensor has no say",
        file=BY_DEMAND,
        good="(turn.trust[name] for name in cycle.wetness_sensors if turn.trust[name].is_trusted)",
        bad="(turn.trust[name] for name in cycle.wetness_sensors)",
        caught_by="tests/core/test_demand_doubts.py::test_a_doubted_sensor_has_no_say_in_the_film",
    ),
    Bug(
        name="back-at-the-first-good-reading",
        promise="a cycle comes back after ten sound minutes",
        file=LEADING,
        good="if turn.now_s - demand.better_since_s >= COMES_BACK_AFTER_S:",
        bad="if turn.now_s >= demand.better_since_s:",
        caught_by="tests/core/test_demand_leads.py::test_it_comes_back_after_ten_sound_minutes_and_not_before",
    ),
    Bug(
        name="minutes-that-were-not-sound-count-as-such",
        promise="a cycle comes back after ten sound minutes running",
        file=LEADING,
        good="return demand if demand.better_lead is None else replace(",
        bad="return demand if True else replace(",
        caught_by="tests/core/test_demand_leads.py::"
        "test_a_reading_that_is_bad_once_in_ten_minutes_never_lets_it_come_back",
    ),
    Bug(
        name="the-longest-gap-is-no-bound",
        promise="in the light no zone waits longer than its longest gap, whatever its sensors say",
        file=ZONE,
        good="return min(max(mark_s, demand.soonest_s), latest_s)",
        bad="return max(mark_s, demand.soonest_s)",
        caught_by="tests/core/test_zone_demand.py::"
        "test_no_gap_is_shorter_than_the_shortest_or_longer_than_the_longest",
    ),
    Bug(
        name="off-unless-a-sensor-is-dry",
        promise="a part without mist has none",
        file=ZONE,
        good="return _with_mark(demand, inf, inf), inf",
        bad="return _with_mark(demand, inf, -inf), inf",
        caught_by="tests/core/test_by_demand.py::"
        "test_a_zone_that_is_off_at_night_is_not_asked_by_a_dry_sensor_and_is_misted_at_dawn",
    ),
    Bug(
        name="a-sensor-on-its-set-point-flutters",
        promise="a sensor that was dry counts as dry until it is wetter by a tenth",
        file=ZONE,
        good="return wet <= dry_back_wet + (WET_HYSTERESIS if was_dry else 0.0)",
        bad="return wet <= dry_back_wet",
        caught_by="tests/core/test_zone_demand.py::"
        "test_a_sensor_is_dry_at_its_set_point_and_wet_again_a_tenth_above_it",
    ),
    Bug(
        name="a-short-burst-counts-as-a-whole-one",
        promise="the sum falls in proportion to what a burst sprays",
        file=BY_DEMAND,
        good="* (1.0 - _given(turn, zone, cycle, open_s))",
        bad="* 0.0",
        caught_by="tests/core/test_by_demand.py::test_the_sum_falls_in_proportion_to_what_a_burst_sprays",
    ),
    Bug(
        name="filling-the-line-wets-leaves",
        promise="a burst that only fills the line wets nothing",
        file="mistd/core/demand_cycles.py",
        good="return max(0.0, open_s - self.fills_s) * self.rate_um_per_s",
        bad="return open_s * self.rate_um_per_s",
        caught_by="tests/core/test_by_demand.py::"
        "test_a_burst_that_only_fills_the_line_wets_nothing_and_takes_nothing_off_the_sum",
    ),
    Bug(
        name="a-reading-makes-full-leaves-fuller",
        promise="what a reading sets right belongs to the time it was wrong in",
        file=BY_DEMAND,
        good="        demand = _set_right(demand, zone.shut_s, source)\n",
        bad="        pass\n",
        caught_by="tests/core/test_by_demand.py::"
        "test_a_film_filled_between_two_readings_an_hour_apart_is_not_taken_for_fuller_than_full",
    ),
    Bug(
        name="blind-days-teach-the-week",
        promise="only days on which a zone was misted by its own readings count",
        file=BY_DEMAND,
        good="    if demand.lead in NO_READINGS:\n        week = replace(week, is_sound=False)\n",
        bad="",
        caught_by="tests/core/test_demand_leads.py::test_a_day_misted_blindly_does_not_count",
    ),
    Bug(
        name="an-hour-is-taken-for-its-neighbour",
        promise="the own week goes by the hours as they were",
        file=WEEK,
        good="yield at_s, ends_s, count % HOURS",
        bad="yield at_s, ends_s, (count + 1) % HOURS",
        caught_by="tests/core/test_own_week.py::"
        "test_hours_without_bursts_are_waited_through_to_the_hour_that_has_them",
    ),
    Bug(
        name="sunrise-changes-nothing",
        promise="in the light a film is misted sooner by what its pace may be off",
        file=BY_DEMAND,
        good="if demand is not zone.demand or _is_otherwise_sure(turn, cycle):",
        bad="if demand is not zone.demand:",
        caught_by="tests/core/test_by_demand.py::"
        "test_from_sunrise_on_a_film_is_misted_sooner_though_the_part_of_the_day_is_the_same",
    ),
    Bug(
        name="a-dead-lead-waits-for-a-better-one",
        promise="what cannot lead any more does not",
        file=LEADING,
        good="if not is_better or not can_lead(demand.lead, **can) or lead is Lead.OWN_WEEK:",
        bad="if not is_better or lead is Lead.OWN_WEEK:",
        caught_by="tests/core/test_demand_leads.py::"
        "test_a_zone_whose_lead_dies_does_not_wait_for_a_better_one_that_is_back",
    ),
    Bug(
        name="a-burst-due-by-a-reading-waits-for-a-look",
        promise="a reading that makes a burst due brings it",
        file="mistd/core/decide.py",
        good="is_moved = turn.sources is not turn.house.sources",
        bad="is_moved = False",
        caught_by="tests/core/test_by_demand.py::"
        "test_a_reading_that_takes_the_sum_past_its_set_point_brings_the_burst_with_it",
    ),
    Bug(
        name="a-found-burst-is-as-good-as-new",
        promise="a burst counts from when it was given, however late it is told",
        file=BY_DEMAND,
        good="misted(thirst, cycle, open_s, source.um_at(zone.shut_s))",
        bad="misted(thirst, cycle, open_s, source.um_at(turn.now_s))",
        caught_by="tests/core/test_by_demand.py::test_a_burst_from_before_this_start_has_dried_since",
    ),
    Bug(
        name="the-first-to-recover-vouches-for-the-rest",
        promise="only what was sound for ten minutes comes back",
        file=LEADING,
        good="worst = max(noted, lead, key=lambda each: rank(cycle, each))",
        bad="worst = lead",
        caught_by="tests/core/test_demand_leads.py::"
        "test_only_what_was_sound_for_ten_minutes_comes_back_and_the_rest_after_ten_of_its_own",
    ),
)
