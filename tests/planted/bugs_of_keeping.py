"""Bugs of what is kept, and of what is answered after a restart."""

from tests.planted.bug import Bug

KEEPING: tuple[Bug, ...] = (
    Bug(
        name="a-journal-thrown-away-by-a-wrong-clock",
        promise="a step of the wall clock costs nothing that was kept",
        file="mistd/app/daemon.py",
        good="almanac.is_trusted and steady_s >= BELIEVED_AFTER_S",
        bad="almanac.is_trusted and steady_s >= 0.0",
        caught_by="tests/app/test_side_tasks.py::test_nothing_is_let_go_of_by_its_age_before_the_clock_was_left_alone_for_a_day",
    ),
    Bug(
        name="a-left-out-burst-is-saved-when-it-suits",
        promise="a burst is left out once, also over a power cut",
        file="mistd/app/outlets.py",
        good="        if event.kind is EventKind.BURST_SKIPPED:\n",
        bad="        if False:\n",
        caught_by="tests/app/test_lives.py::test_a_burst_that_was_left_out_is_not_left_out_again_after_a_power_cut",
    ),
    Bug(
        name="a-commit-without-sync",
        promise="a setting that was answered done survives a power cut",
        file="mistd/adapters/sqlite/database.py",
        good='"PRAGMA synchronous=FULL"',
        bad='"PRAGMA synchronous=OFF"',
        caught_by="tests/safety/test_power_loss.py::test_no_power_cut_takes_or_spoils_what_was_acknowledged",
    ),
    Bug(
        name="an-undone-extension-ends-anothers-hold",
        promise="no hold is shortened by another",
        file="mistd/core/holds.py",
        good="    beneath = _held_beneath(turn, revision)\n",
        bad="    beneath = None\n",
        caught_by="tests/core/test_undo.py::test_undoing_an_extension_leaves_the_hold_of_whoever_was_in_there_before",
    ),
    Bug(
        name="ids-are-forgotten-at-a-restart",
        promise="the same id gets the same answer and no second action, over a restart too",
        file="mistd/app/assembly.py",
        good="Benches(config), clock, edges.bus.publish, answered)",
        bad="Benches(config), clock, edges.bus.publish)",
        caught_by="tests/app/test_answers.py::test_who_was_told_not_kept_is_told_the_same_after_a_restart_though_it_was_kept_later",
    ),
    Bug(
        name="a-change-is-told-before-it-is-kept",
        promise="nobody hears of a revision that a kill could take back",
        file="mistd/app/telling_settings.py",
        good="if standing != self._told.get(zone.plan.name) and self._is_kept(house, zone):",
        bad="if standing != self._told.get(zone.plan.name):",
        caught_by="tests/app/test_telling_settings.py::test_nothing_is_told_of_a_zone_of_which_the_newest_change_is_not_kept_yet",
    ),
)
