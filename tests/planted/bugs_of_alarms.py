"""Bugs of alarms: of their life, their masks, their sound and their memory."""

from tests.planted.bug import Bug

ALARMS: tuple[Bug, ...] = (
    Bug(
        name="any-acknowledgement-will-do",
        promise="an acknowledgement names the occurrence that was seen and never counts for a later one",
        file="mistd/core/alarm_life.py",
        good="    if occurrence != alarm.occurrence:\n",
        bad="    if False:\n",
        caught_by="tests/core/test_alarm_requests.py::test_an_acknowledgement_of_another_occurrence_is_refused",
    ),
    Bug(
        name="a-shelving-without-end",
        promise="nothing is shelved for longer than its kind allows",
        file="mistd/core/alarm_life.py",
        good="    if not 0.0 < for_s <= left_s:\n",
        bad="    if not 0.0 < for_s:\n",
        caught_by="tests/core/test_alarm_requests.py::test_shelving_for_no_time_or_for_too_long_is_refused",
    ),
    Bug(
        name="a-shelving-prolonged-for-ever",
        promise="however often it is shelved again, it is back within the limit of the first time",
        file="mistd/core/alarm_life.py",
        good="    since_s = alarm.shelf.since_s if alarm.shelf else now_s\n",
        bad="    since_s = now_s\n",
        caught_by="tests/core/test_alarm_requests.py::test_however_often_it_is_shelved_it_is_back_within_the_limit_of_the_first_time",
    ),
    Bug(
        name="the-siren-sounds-through-a-mask",
        promise="it sounds only for what is unmasked, unsilenced and not acknowledged",
        file="mistd/core/alarms.py",
        good="return self.life in HEARD and not self.is_silenced and self.mask is None",
        bad="return self.life in HEARD and not self.is_silenced",
        caught_by="tests/core/test_alarm_invariants.py::test_3_it_sounds_only_for_what_is_unmasked_unsilenced_and_not_acknowledged",
    ),
    Bug(
        name="every-alarm-wakes-the-grower",
        promise="at night only kinds that may wake sound",
        file="mistd/core/annunciator.py",
        good="alarm.sounds and (alarm.row.may_wake or not is_night)",
        bad="alarm.sounds and (alarm.row.may_wake or is_night is not None)",
        caught_by="tests/core/test_alarm_board.py::test_at_night_only_kinds_that_may_wake_sound",
    ),
    Bug(
        name="an-alarm-before-its-on-delay",
        promise="a condition shorter than its on-delay is never raised",
        file="mistd/core/alarms.py",
        good="            return self.wanted_s + self.row.on_delay_s + self.patience_s\n",
        bad="            return self.wanted_s\n",
        caught_by="tests/core/test_alarm_invariants.py::test_9_a_condition_shorter_than_its_on_delay_is_never_raised",
    ),
    Bug(
        name="a-consequence-hides-its-cause",
        promise="a cause is never hidden by what it explains",
        file="mistd/core/annunciator.py",
        good=(
            "        if not alarm.row.follows:\n            return alarm\n"
            "        is_explained = _explained_until_s(self.explained_s, alarm) > self.now_s\n"
        ),
        bad="        is_explained = any(until_s > self.now_s for until_s in self.explained_s.values())\n",
        caught_by="tests/core/test_alarm_board.py::test_the_cause_itself_is_never_hidden_by_what_it_explains",
    ),
    Bug(
        name="one-cause-many-alarms",
        promise="one cause, one alarm",
        file="mistd/core/annunciator.py",
        good="            if cause in row.follows:\n",
        bad="            if cause == row.follows:\n",
        caught_by="tests/core/test_alarm_board.py::test_one_cause_is_one_alarm",
    ),
    Bug(
        name="a-latch-lost-over-a-restart",
        promise="no alarm is lost over a restart",
        file="mistd/core/alarm_rows.py",
        good='        "life": alarm.life.value,\n',
        bad='        "life": alarm.life.value if alarm.is_on else Life.NORMAL.value,\n',
        caught_by="tests/core/test_alarm_rows.py::test_a_latch_is_not_lost_over_a_restart",
    ),
    Bug(
        name="occurrences-counted-anew-over-a-restart",
        promise="an acknowledgement of an old occurrence does not count after a restart either",
        file="mistd/core/alarm_rows.py",
        good='            occurrence=_count(row, "occurrence"),\n',
        bad="            occurrence=1,\n",
        caught_by="tests/core/test_alarm_rows.py::test_an_old_acknowledgement_does_not_count_after_a_restart_either",
    ),
    Bug(
        name="people-come-before-time",
        promise="at one instant time and conditions come before what people ask",
        file="mistd/core/annunciator.py",
        good="    turn.attend()\n    try:\n",
        bad="    try:\n",
        caught_by="tests/core/test_alarm_invariants.py::test_10_an_acknowledgement_at_the_instant_of_a_raising_comes_after_it",
    ),
    Bug(
        name="a-refused-order-counts-as-water",
        promise="a zone whose orders are not carried out is an alarm",
        file="mistd/core/alarm_conditions.py",
        good="zone.phase is Phase.RESTING or (zone.phase is Phase.ORDERED and zone.refused_s > -inf)\n",
        bad="zone.phase is Phase.RESTING\n",
        caught_by="tests/core/test_alarm_zones_due.py::test_a_zone_whose_orders_are_not_carried_out_is_an_alarm_though_each_order_is_new",
    ),
)
