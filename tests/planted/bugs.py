"""Bugs that break a promise, each with the test that catches it.

A bug is a piece of good code and the mistake that takes its place. When the code moves on, the plant follows.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Bug:
    """One mistake."""

    name: str
    promise: str
    file: str
    good: str
    bad: str
    caught_by: str


BUGS = (
    Bug(
        name="a-line-need-not-rest",
        promise="the keeper lets every line rest, whatever the daemon orders",
        file="mistd/core/leases.py",
        good="if rested_s < rule.shortest_rest_s - EDGE_S:",
        bad="if rested_s < 0.0:",
        caught_by="tests/keeper/test_process_lines.py::test_every_line_rests_after_the_keepers_start_and_after_a_burst",
    ),
    Bug(
        name="one-valve-too-many",
        promise="no more valves open at once than configured",
        file="mistd/core/leases.py",
        good="if counted >= self.rules.open_at_once:",
        bad="if counted > self.rules.open_at_once:",
        caught_by="tests/core/test_leases.py::test_no_more_lines_open_than_at_once",
    ),
    Bug(
        name="a-dead-daemon-leaves-valves-open",
        promise="when the daemon's connection closes every line shuts",
        file="mistd/keeper/process.py",
        good='            self.shut_all("the daemon\'s connection closed")\n',
        bad="            pass\n",
        caught_by="tests/keeper/test_process_lines.py::test_when_the_daemons_socket_closes_all_is_shut_and_a_successor_gets_the_accounts",
    ),
    Bug(
        name="a-hung-daemon-is-waited-for",
        promise="a daemon that is not heard for a heartbeat loses its lines",
        file="mistd/core/leases.py",
        good="return now_s - self.heard_s > self.rules.heartbeat_s",
        bad="return False",
        caught_by="tests/keeper/test_process_lines.py::test_a_daemon_not_heard_for_a_heartbeat_is_dismissed_and_all_is_shut",
    ),
    Bug(
        name="a-stranger-may-open",
        promise="whoever is not the daemon in charge may only shut",
        file="mistd/keeper/process.py",
        good="        elif caller is not self._owner:\n",
        bad="        elif False:\n",
        caught_by="tests/keeper/test_process_callers.py::test_a_stranger_may_not_do_what_only_the_daemon_may",
    ),
    Bug(
        name="a-line-is-released-open",
        promise="no way out of the keeper leaves a line open",
        file="mistd/keeper/process.py",
        good='        self.shut_all("the keeper is ending")\n',
        bad="",
        caught_by="tests/keeper/test_process_lines.py::test_a_keeper_that_is_stopped_shuts_everything",
    ),
    Bug(
        name="a-held-bench-is-misted",
        promise="a held zone gets no water",
        file="mistd/core/interlocks.py",
        good="    _held,\n",
        bad="",
        caught_by="tests/core/test_holds.py::test_a_held_zone_gets_no_burst_though_it_is_due_and_the_refusal_is_told",
    ),
    Bug(
        name="a-hold-ends-unannounced",
        promise="a hold says two minutes before its end that mist is coming",
        file="mistd/core/holds.py",
        good="    if hold.is_warned:\n",
        bad="    if hold.ends_s <= turn.now_s + HOLD_WARNING_S:\n",
        caught_by="tests/core/test_holds.py::test_a_hold_warns_two_minutes_before_and_ends_by_itself",
    ),
    Bug(
        name="a-hold-is-answered-before-the-valve-is-shut",
        promise="a hold is answered done only when the valve is reported shut",
        file="mistd/core/holds.py",
        good="zone.held_when_shut = (*zone.held_when_shut, asked)",
        bad="confirm_hold(turn, zone, asked)",
        caught_by="tests/core/test_holds.py::test_a_hold_on_a_zone_being_misted_is_answered_only_when_shut_is_reported",
    ),
    Bug(
        name="a-hold-is-cut-short-by-another",
        promise="nobody's hold is shortened by another",
        file="mistd/core/holds.py",
        good="    if hold and hold.ends_s > ends_s:\n",
        bad="    if False:\n",
        caught_by="tests/core/test_holds.py::test_nobodys_hold_is_shortened_by_another_who_asks_for_less",
    ),
    Bug(
        name="an-old-answer-stands-for-a-new-request",
        promise="an id used again after its time is a new request",
        file="mistd/app/inbox.py",
        good="known is not None and self._clock.now_s() - known[1] < REMEMBERED_S:",
        bad="known is not None:",
        caught_by="tests/app/test_inbox.py::test_an_id_used_again_after_its_time_is_a_new_request",
    ),
    Bug(
        name="the-line-is-hammered",
        promise="a pause lies between two bursts on one slot of the line",
        file="mistd/core/bursts.py",
        good="turn.line.given_back(zone.slot, since_s + turn.plan.pause_s)",
        bad="turn.line.given_back(zone.slot, since_s)",
        caught_by="tests/core/test_bursts.py::test_zones_due_together_take_turns_a_pause_apart",
    ),
    Bug(
        name="the-first-in-the-file-goes-first",
        promise="the most overdue zone goes first",
        file="mistd/core/bursts.py",
        good="key=lambda waiting: (_urgent_since_s(turn.zone(waiting)), waiting)",
        bad="key=lambda waiting: waiting",
        caught_by="tests/core/test_bursts.py::test_the_most_overdue_zone_goes_first",
    ),
    Bug(
        name="frost-by-one-reading",
        promise="one cold reading is no frost: a wrong veto kills too",
        file="mistd/core/frost.py",
        good="LEAST_READINGS = 2",
        bad="LEAST_READINGS = 1",
        caught_by="tests/core/test_frost.py::test_one_cold_reading_is_no_proof_however_long_ago",
    ),
    Bug(
        name="holds-forgotten-at-restart",
        promise="a hold that was answered done survives a restart",
        file="mistd/core/durable.py",
        good='        "hold_ends_s": hold.ends_s if hold else None,\n',
        bad='        "hold_ends_s": None,\n',
        caught_by="tests/core/test_durable.py::test_what_comes_back_gives_the_same_rows_again",
    ),
    Bug(
        name="a-clock-step-is-a-new-day",
        promise="a step of the wall clock repeats no daily duty",
        file="mistd/core/decide.py",
        good="return almanac.day_began_s - since_s >= SHORTEST_DAY_S",
        bad="return almanac.local_date != turn.counting_date",
        caught_by="tests/core/test_day_parts.py::test_a_clock_set_back_over_midnight_and_on_again_ends_one_day_only",
    ),
    Bug(
        name="a-retained-request-moves-water",
        promise="no retained request is acted on",
        file="mistd/app/inbox.py",
        good="        if incoming.is_retained:\n            self._publish(",
        bad="        if False:\n            self._publish(",
        caught_by="tests/app/test_inbox.py::test_what_is_refused_gets_a_reason_and_goes_no_further",
    ),
    Bug(
        name="a-stale-request-moves-water",
        promise="no request older than 30 s is acted on",
        file="mistd/app/inbox.py",
        good="        if age_s is not None and abs(age_s) > REQUEST_GOOD_S:\n",
        bad="        if False:\n",
        caught_by="tests/app/test_inbox.py::test_what_is_refused_gets_a_reason_and_goes_no_further",
    ),
    Bug(
        name="a-repeated-request-moves-water-again",
        promise="the same id gets the same answer and no second action",
        file="mistd/app/inbox.py",
        good="        known = self._answers.get(message.id)\n",
        bad="        known = None\n",
        caught_by="tests/app/test_inbox.py::test_the_same_id_gets_the_same_answer_and_no_second_action",
    ),
    Bug(
        name="answers-go-wherever-a-request-says",
        promise="an answer goes to our own answer topics only",
        file="mistd/app/topics.py",
        good="        return is_ours and len(",
        bad="        return True or len(",
        caught_by="tests/app/test_inbox.py::test_what_is_refused_gets_a_reason_and_goes_no_further",
    ),
    Bug(
        name="kept-though-the-disk-failed",
        promise="what was not written was not kept",
        file="mistd/app/saving.py",
        good="            self._told(str(problem))\n            return False\n",
        bad="            self._told(str(problem))\n            return True\n",
        caught_by="tests/app/test_saving.py::test_what_was_not_written_was_not_kept",
    ),
    Bug(
        name="an-active-low-board-pulses-open",
        promise="no line is open for a moment when it is claimed",
        file="mistd/adapters/gpio/outputs.py",
        good="lgpio.gpio_claim_output(self.factory._handle, self._number, int(state))",
        bad="super().output_with_state(state)",
        caught_by="tests/adapters/test_gpio_outputs.py::test_an_active_low_line_is_claimed_high_and_nothing_is_written",
    ),
    Bug(
        name="state-is-not-told-again",
        promise="all state is told again on each connection",
        file="mistd/adapters/mqtt/bus.py",
        good="        for _ in range(self._outbox.queue_all_states()):\n",
        bad="        for _ in range(0):\n",
        caught_by="tests/adapters/test_mqtt_bus_loss.py::test_all_state_is_told_again_to_a_broker_that_lost_everything",
    ),
)
