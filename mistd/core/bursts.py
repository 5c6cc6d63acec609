"""Giving bursts: from a zone that is due or a person who asks, past the guards, to the keeper's report.

Rule: a zone's burst counts from what the keeper reported, never from what was ordered.
"""

from math import inf

from mistd.core.actions import OpenValve, Outcome
from mistd.core.by_demand import begin_burst, burst_length_s, take_burst
from mistd.core.due_words import why_due_on_demand
from mistd.core.events import EventKind
from mistd.core.holds import confirm_hold
from mistd.core.interlocks import Guard, Veto, veto
from mistd.core.observations import KeeperLost, KeeperReady, LineAccount, LineEdge, LineReport
from mistd.core.requests import AskBurst
from mistd.core.turn import Turn
from mistd.core.units import PERCENT, S_PER_MIN
from mistd.core.zone import Phase, Skip, Zone

RETRY_S = 10.0  # after the keeper refused or kept silent: long enough not to storm, short beside any gap
WORTH_TELLING_S = 1.0  # a shorter wait for the line explains nothing
SAME_EDGE_S = 0.001  # two accounts of one edge differ by less than this


def fall_due(turn: Turn, index: int) -> None:
    """The zone's mark is reached: it joins those that wait for the line."""
    zone = turn.touch(index)
    zone.due_s = min(zone.due_s, turn.now_s)
    zone.is_waiting = True
    zone.waiting_since_s = turn.now_s
    turn.waiting = (*turn.waiting, index)
    turn.is_changed = True


def stop_waiting(turn: Turn, index: int) -> None:
    """The zone is no longer due."""
    if turn.zone(index).is_waiting:
        turn.touch(index).is_waiting = False
        turn.waiting = tuple(other for other in turn.waiting if other != index)
        turn.is_changed = True


def give_line(turn: Turn) -> float:
    """Order what may begin now; return the instant at which the next could begin.

    People's bursts go first, in the order asked; then zones, the most overdue first.
    """
    while turn.asked or turn.waiting:
        start_s = turn.line.start_s(turn.plan.pause_s)
        if start_s > turn.now_s:
            return start_s
        if turn.asked:
            _give_asked(turn, turn.asked[0])
        else:
            _give_most_overdue(turn)
    return inf


def _give_asked(turn: Turn, asked: AskBurst) -> None:
    turn.asked = turn.asked[1:]
    turn.is_changed = True
    index = turn.plan.index[asked.zone]
    for_s = asked_length_s(turn, asked)
    forbidden = veto(turn.zone(index), for_s, turn.circumstances())
    if forbidden:
        refuse_asked(turn, asked, forbidden)
        return
    stop_waiting(turn, index)
    zone = turn.touch(index)
    zone.asked = asked
    _order(turn, zone, for_s, f"asked for by {asked.author}")


def asked_length_s(turn: Turn, asked: AskBurst) -> float:
    """How long the burst is that was asked for: the cycle's own when the person named none."""
    zone = turn.zone(turn.plan.index[asked.zone])
    return asked.for_s or burst_length_s(turn, zone) or zone.cycle.any_burst_s()


def refuse_asked(turn: Turn, asked: AskBurst, forbidden: Veto) -> None:
    """Tell the person, and the record, which guard said no."""
    turn.answer(asked.request_id, Outcome.REFUSED, forbidden.reason, forbidden.figures)
    figures = {"guard": forbidden.guard.value, "asked_by": asked.author, **forbidden.figures}
    turn.tell(EventKind.BURST_REFUSED, asked.zone, forbidden.reason, figures)


def _give_most_overdue(turn: Turn) -> None:
    index = min(turn.waiting, key=lambda waiting: (_urgent_since_s(turn.zone(waiting)), waiting))
    stop_waiting(turn, index)
    zone = turn.touch(index)
    for_s = burst_length_s(turn, zone) or 0.0
    forbidden = veto(zone, for_s, turn.circumstances())
    if forbidden:
        zone.held_until_s = forbidden.until_s
        figures = {"guard": forbidden.guard.value, **forbidden.figures}
        turn.tell(EventKind.BURST_REFUSED, zone.plan.name, forbidden.reason, figures)
    elif zone.skip:
        _skip(turn, zone, zone.skip)
    else:
        _order(turn, zone, for_s, _why_due(turn, zone))


def _skip(turn: Turn, zone: Zone, skip: Skip) -> None:
    """Leave this burst out, as was asked; the gap to the next counts from now."""
    zone.skip = None
    zone.skipped_s = turn.now_s
    turn.set_mark(zone)
    figures = {"gap_s": round(turn.now_s - zone.shut_s, 1)} if zone.shut_s > -inf else {}
    note = f": {skip.note}" if skip.note else ""
    turn.tell(EventKind.BURST_SKIPPED, zone.plan.name, f"left out once for {skip.author}{note}", figures)


def _urgent_since_s(zone: Zone) -> float:
    """Since when the zone has waited in earnest: one that the keeper refused queues anew."""
    return max(zone.due_s, zone.refused_s)


def _why_due(turn: Turn, zone: Zone) -> str:
    if zone.shut_s == -inf:
        return "never misted before, as far as is known"
    if zone.demand_cycle and zone.demand:
        return why_due_on_demand(turn, zone, zone.demand_cycle, zone.demand)
    gap_s = turn.now_s - zone.shut_s
    late_s = turn.now_s - zone.waiting_since_s
    waited = f", after {late_s:.0f} s of waiting for the line" if late_s >= WORTH_TELLING_S else ""
    trim = zone.trim
    trimmed = f" with {trim.fraction * PERCENT:+.3g} % water for {trim.author}" if trim else ""
    return f"{gap_s / S_PER_MIN:.1f} min since the last burst{waited}, by the timetable{trimmed}"


def _order(turn: Turn, zone: Zone, for_s: float, reason: str) -> None:
    ticket = turn.line.next_ticket
    turn.line, zone.slot = turn.line.taken(turn.now_s)
    turn.is_changed = True
    zone.phase = Phase.ORDERED
    zone.ticket = ticket
    zone.ordered_s = turn.now_s
    zone.ordered_for_s = for_s
    zone.burst_reason = reason
    turn.ask_for(OpenValve(zone=zone.plan.name, for_s=for_s, ticket=ticket))


def take_report(turn: Turn, report: LineReport) -> None:
    """Believe what the keeper says it did, and of a burst that was given up already, that it ended."""
    index = turn.plan.index[report.line]
    zone = turn.zone(index)
    if zone.is_unproved and report.edge is LineEdge.SHUT:
        zone = turn.touch(index)
        zone.is_unproved = False
    if zone.ticket != report.ticket:
        return
    if zone.phase is Phase.RESTING:
        if report.edge is LineEdge.SHUT and zone.shut_s < zone.ordered_s:  # given up, and not counted yet
            opened_s = report.at_s - report.open_s
            account = LineAccount(line=report.line, opened_s=opened_s, shut_s=report.at_s)
            _take_in(turn, turn.touch(index), account, "but reported late")
        return
    zone = turn.touch(index)
    if report.edge is LineEdge.OPENED:
        _burst_started(turn, zone, report.at_s)
    elif report.edge is LineEdge.SHUT:
        _burst_ended(turn, zone, report.at_s, report.open_s, report.reason)
    else:
        turn.line = turn.line.unopened(zone.ordered_s)
        _burst_failed(turn, zone, f"the keeper refused: {report.reason}", turn.now_s - turn.plan.pause_s)


def _burst_started(turn: Turn, zone: Zone, opened_s: float) -> None:
    zone.phase = Phase.OPEN
    zone.opened_s = opened_s
    zone.last_reason = zone.burst_reason
    turn.is_changed = True
    begin_burst(turn, zone)
    figures: dict[str, float | str] = {"for_s": zone.ordered_for_s, "part": turn.almanac.part.value}
    if zone.shut_s > -inf:
        figures["gap_s"] = round(opened_s - zone.shut_s, 1)
    turn.tell(EventKind.BURST_STARTED, zone.plan.name, zone.burst_reason, figures)
    if zone.asked:
        reason = f"misting for {zone.ordered_for_s:g} s"
        turn.answer(zone.asked.request_id, Outcome.DONE, reason, {"for_s": zone.ordered_for_s})


def _burst_ended(turn: Turn, zone: Zone, shut_s: float, open_s: float, reason: str) -> None:
    water_l = zone.plan.water_l(open_s)
    gap_s = zone.opened_s - zone.shut_s
    zone.today = zone.today.plus(open_s, water_l)
    zone.shut_s = shut_s
    zone.refused_s = -inf
    _rest(turn, zone, shut_s)
    take_burst(turn, zone, open_s)
    turn.set_mark(zone)
    figures: dict[str, float | str] = {
        "open_s": round(open_s, 3),
        "water_l": round(water_l, 3),
        "for_s": zone.ordered_for_s,
        "why": zone.last_reason,
    }
    if gap_s < inf:
        figures["gap_s"] = round(gap_s, 1)
    turn.tell(EventKind.BURST_ENDED, zone.plan.name, reason, figures)


def _burst_failed(turn: Turn, zone: Zone, reason: str, since_s: float) -> None:
    """No burst came of it: the line has been at rest since then."""
    if zone.asked:
        turn.answer(zone.asked.request_id, Outcome.REFUSED, reason)
    _rest(turn, zone, since_s)
    turn.set_mark(zone)  # the part may have changed since it was ordered
    zone.held_until_s = turn.now_s + RETRY_S
    zone.refused_s = turn.now_s
    figures: dict[str, float | str] = {"guard": "keeper", "for_s": zone.ordered_for_s}
    turn.tell(EventKind.BURST_REFUSED, zone.plan.name, reason, figures)


def _rest(turn: Turn, zone: Zone, since_s: float) -> None:
    """The valve is shut: give the slot back after the pause, and answer who waited for that."""
    turn.line = turn.line.given_back(zone.slot, since_s + turn.plan.pause_s)
    turn.is_changed = True
    zone.phase = Phase.RESTING
    zone.asked = None
    for asked in zone.held_when_shut:
        confirm_hold(turn, zone, asked)
    zone.held_when_shut = ()


def give_up_report(turn: Turn, index: int) -> None:
    """The keeper's word on a burst is overdue: go on without it, and say so."""
    zone = turn.touch(index)
    silent_s = turn.now_s - zone.ordered_s
    zone.is_unproved = True
    _refuse_unproved_hold(turn, zone)
    if zone.phase is Phase.OPEN:
        open_s = min(silent_s, zone.ordered_for_s)
        _burst_ended(turn, zone, turn.now_s, open_s, f"the keeper has not reported it for {silent_s:.1f} s")
    else:
        _burst_failed(turn, zone, f"the keeper has not answered for {silent_s:.1f} s", turn.now_s)


def _refuse_unproved_hold(turn: Turn, zone: Zone) -> None:
    """Nobody may go in on the word of a valve that was not reported shut."""
    if not zone.held_when_shut:
        return
    reason = "the valve is not reported shut: close the hand valve before you go in, then ask again"
    for asked in zone.held_when_shut:
        turn.refuse(asked.request_id, asked.zone, asked.author, reason)
    zone.held_when_shut = ()
    zone.hold = None
    turn.tell(EventKind.HOLD_ENDED, zone.plan.name, reason)


def keeper_ready(turn: Turn, ready: KeeperReady) -> None:
    """Every line is held shut: close what was open, and take in what the keeper remembers."""
    turn.is_keeper_ready = True
    turn.keeper_since_s = ready.since_s
    turn.keeper_trouble = ""
    turn.is_changed = True
    but = f", but cannot shut {', '.join(ready.unproved)}," if ready.unproved else ""
    turn.tell(EventKind.KEEPER_READY, turn.plan.name, f"a keeper holds every line shut{but} and takes orders")
    accounts = {account.line: account for account in ready.accounts}
    for zone in turn.touch_all():
        zone.is_unproved = zone.plan.name in ready.unproved
        if zone.is_unproved:
            _refuse_unproved_hold(turn, zone)
        account = accounts.get(zone.plan.name)
        if zone.phase is not Phase.RESTING:
            _settle(turn, zone, account)
        elif account and account.shut_s > zone.shut_s + SAME_EDGE_S:
            _take_in(turn, zone, account, "before this start; taken from the keeper")
        turn.ask_guards_again(zone)


def _settle(turn: Turn, zone: Zone, account: LineAccount | None) -> None:
    """End a burst whose keeper was lost: by the keeper's account, else by the most it can have been."""
    if account and account.opened_s >= zone.ordered_s:
        if zone.phase is Phase.ORDERED:
            _burst_started(turn, zone, account.opened_s)
        open_s = account.shut_s - account.opened_s
        _burst_ended(turn, zone, account.shut_s, open_s, "the keeper was away; by its own account")
    elif zone.phase is Phase.OPEN:
        open_s = min(turn.now_s - zone.opened_s, zone.ordered_for_s)
        _burst_ended(turn, zone, turn.now_s, open_s, "the keeper was lost; counted as given in full")
    else:
        _burst_failed(turn, zone, "the keeper was lost before it answered", turn.now_s)


def _take_in(turn: Turn, zone: Zone, account: LineAccount, how: str) -> None:
    """A burst that was given and of which we have no note: from before our start, or given up too soon."""
    open_s = account.shut_s - account.opened_s
    zone.opened_s, zone.shut_s = account.opened_s, account.shut_s
    zone.today = zone.today.plus(open_s, zone.plan.water_l(open_s))
    take_burst(turn, zone, open_s)
    turn.set_mark(zone)
    if zone.is_waiting and zone.due_s > turn.now_s:
        stop_waiting(turn, turn.plan.index[zone.plan.name])
    ago_s = turn.now_s - account.shut_s
    reason = f"given {ago_s:.0f} s ago, {how}"
    water_l = zone.plan.water_l(open_s)
    figures = {"open_s": round(open_s, 3), "water_l": round(water_l, 3), "ago_s": round(ago_s, 1)}
    turn.tell(EventKind.BURST_FOUND, zone.plan.name, reason, figures)


def keeper_lost(turn: Turn, lost: KeeperLost) -> None:
    """Nobody takes orders: open bursts stay open in our books until the next keeper holds the lines shut."""
    if turn.is_keeper_ready or lost.reason != turn.keeper_trouble:
        turn.is_keeper_ready = False
        turn.keeper_trouble = lost.reason
        turn.is_changed = True
        turn.tell(EventKind.KEEPER_LOST, turn.plan.name, lost.reason)


def expire_asked(turn: Turn) -> float:
    """Refuse what could not begin in time; return when the next will be too late."""
    if not turn.asked:
        return inf
    late = [asked for asked in turn.asked if asked.expires_at_s <= turn.now_s]
    for asked in late:
        reason = "the line was taken by other zones for as long as the request was good; ask again"
        turn.answer(asked.request_id, Outcome.REFUSED, reason)
        turn.tell(
            EventKind.BURST_REFUSED, asked.zone, reason, {"guard": "line_taken", "asked_by": asked.author}
        )
    if late:
        turn.asked = tuple(asked for asked in turn.asked if asked.expires_at_s > turn.now_s)
        turn.is_changed = True
    return min((asked.expires_at_s for asked in turn.asked), default=inf)


def ask_burst(turn: Turn, asked: AskBurst) -> None:
    """Queue a person's burst, or say at once why it cannot be."""
    zone = turn.zone(turn.plan.index[asked.zone])
    forbidden = veto(zone, asked_length_s(turn, asked), turn.circumstances()) or _asked_already(turn, asked)
    if forbidden:
        refuse_asked(turn, asked, forbidden)
        return
    turn.asked = (*turn.asked, asked)
    turn.is_changed = True


def _asked_already(turn: Turn, asked: AskBurst) -> Veto | None:
    for other in turn.asked:
        if other.zone == asked.zone:
            reason = f"a burst that {other.author} asked for is waiting for the line already"
            return Veto(guard=Guard.MISTING_NOW, reason=reason, figures={}, until_s=inf)
    return None
