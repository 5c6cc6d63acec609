"""The daemon put together around its edges: everything between the ports, on a machine or on a bench.

Knows no adapter: clock, keeper, bus and store are handed in. The wiring gives it a machine's, a rig its own.
"""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace

from mistd.app.alarm_desk import AlarmDesk, DeskOutlets, Left
from mistd.app.calendar import Calendar
from mistd.app.config import Config, SirenSection
from mistd.app.control_loop import ControlLoop, Decide
from mistd.app.daemon import Daemon
from mistd.app.demand_plan import Benches
from mistd.app.house_plan import SIREN, house_plan, place_of
from mistd.app.inbox import Inbox
from mistd.app.outlets import Log, Outlets
from mistd.app.recording import RollUp
from mistd.app.resuming import journal_gap, readable_rows, settings_from, shift_of
from mistd.app.saving import Saver
from mistd.app.sensor_topics import sensor_topics
from mistd.app.telling import Teller
from mistd.app.telling_alarms import AlarmsTeller
from mistd.app.topics import Topics
from mistd.app.unread import UnreadStore
from mistd.core.actions import AnswerRequest
from mistd.core.decide import decide as core_decide
from mistd.core.durable import restored
from mistd.core.events import Event, EventKind
from mistd.core.house import House
from mistd.core.siren import Siren
from mistd.core.units import seconds_of_minutes
from mistd.ports.bus import Bus
from mistd.ports.clock import Clock
from mistd.ports.errors import StoreError
from mistd.ports.keeper import LineKeeper
from mistd.ports.store import Loaded, Store

LOAD_WITHIN_S = 60.0  # a disk that hangs longer must not keep a house dry


@dataclass(frozen=True, slots=True, kw_only=True)
class Edges:
    """What is around a daemon."""

    clock: Clock
    boot_id: str  # names this run of the machine's monotonic clock
    keeper: LineKeeper
    bus: Bus
    store: Store
    log: Log
    longest_wait_s: float  # a control pass is made at least this often, for the keeper's lease
    decide: Decide = core_decide
    speed: float = 1.0  # how much faster than life the clocks run: a disk does not run faster with them
    is_housekept: bool = True  # whether the nightly duties are done, by the machine's own clock
    configuration_trouble: str | None = None  # why it is not the house's file that runs
    keep_configuration: Callable[[], Awaitable[None]] | None = None  # as the last that ran


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """A house as it was left, and what is to be told of that."""

    house: House
    store: Store
    loaded: Loaded
    alarms: Left
    news: tuple[tuple[EventKind, str, str], ...]  # kind, subject, reason


async def assembled(config: Config, edges: Edges, greeting: str) -> Daemon:
    """A house ready to run."""
    plan, clock = house_plan(config), edges.clock
    topics = Topics(house_name=plan.name)
    calendar = Calendar(place_of(config.place, config.day_parts), clock)
    beginning = await _beginning(config, edges, calendar)
    roll_up = RollUp(clock)
    saver = Saver(
        beginning.store,
        clock,
        edges.boot_id,
        lambda trouble: tell_of_disk(outlets, saver, trouble),
        lambda found: outlets.tell(EventKind.STATE_UNREADABLE, found),
        speed=edges.speed,
    )
    answered = {each.request_id: each.answer.encode() for each in beginning.loaded.answers}
    inbox = Inbox(plan, topics, sensor_topics(config), Benches(config), clock, edges.bus.publish, answered)
    teller = Teller(config, topics, clock, edges.bus.publish, beginning.loaded.revisions)

    def tell_event(event: Event) -> None:
        outlets.tell_event(event)

    def answer(answer: AnswerRequest) -> None:
        outlets.answer(answer)

    desk_outlets = DeskOutlets(
        tell_event=tell_event,
        answer=answer,
        signal=lambda is_on: edges.keeper.signal(SIREN, is_on=is_on),
        saver=saver,
        teller=AlarmsTeller(topics, clock, edges.bus.publish),
    )
    alarms = _alarm_desk(config, edges, beginning.alarms, inbox, desk_outlets)
    outlets = Outlets(
        house_name=plan.name,
        clock=clock,
        log=edges.log,
        teller=teller,
        saver=saver,
        inbox=inbox,
        roll_up=roll_up,
        speed=edges.speed,
        alarms=alarms,
    )
    control = ControlLoop(
        house=beginning.house,
        clock=clock,
        calendar=calendar,
        keeper=edges.keeper,
        arrivals=inbox,
        consequences=outlets,
        longest_wait_s=edges.longest_wait_s,
        decide=edges.decide,
    )
    return Daemon(
        clock=clock,
        control=control,
        keeper=edges.keeper,
        bus=edges.bus,
        inbox=inbox,
        outlets=outlets,
        alarms=alarms,
        saver=saver,
        store=beginning.store,
        roll_up=roll_up,
        is_housekept=edges.is_housekept,
        greeting=greeting,
        beginnings=beginning.news,
        configuration_trouble=edges.configuration_trouble,
        keep_configuration=edges.keep_configuration,
    )


async def _beginning(config: Config, edges: Edges, calendar: Calendar) -> Beginning:
    """The house as it was left, as far as that can be read."""
    name, clock = config.house.name, edges.clock
    news: list[tuple[EventKind, str, str]] = []
    store = edges.store
    try:
        async with asyncio.timeout(LOAD_WITHIN_S * edges.speed):
            loaded = await store.load()
    except (StoreError, TimeoutError) as problem:
        why = str(problem) or f"the disk has not answered for {LOAD_WITHIN_S:.0f} s"
        store = UnreadStore(store)
        loaded = _stood_in(problem, why)
    rows, unreadable = readable_rows(loaded.rows)
    settings, unfit = settings_from(loaded.revisions, loaded.last_revision, clock, Benches(config))
    shift = shift_of(rows, clock, edges.boot_id)
    back = restored(
        house_plan(config),
        rows,
        calendar.first(),
        clock.now_s(),
        shift_s=shift.by_s,
        is_time_away_known=shift.is_time_away_known,
        settings=settings,
    )
    for trouble in (*loaded.troubles, *unreadable, *unfit, *back.unreadable):
        news.append((EventKind.STATE_UNREADABLE, name, trouble))
    for zone, why in back.not_applied:
        news.append((EventKind.SETTING_NOT_APPLIED, zone, why))
    gap = journal_gap(rows, clock)
    if gap:
        news.append((EventKind.JOURNAL_GAP, name, gap))
    left = Left(rows=rows, shift_s=shift.by_s, is_time_away_known=shift.is_time_away_known)
    return Beginning(house=back.house, store=store, loaded=loaded, alarms=left, news=tuple(news))


def _alarm_desk(config: Config, edges: Edges, left: Left, inbox: Inbox, outlets: DeskOutlets) -> AlarmDesk:
    """Where alarms are attended; without a siren of its own it still tells when people are to be called."""
    siren = config.siren or SirenSection()
    return AlarmDesk(
        plan=house_plan(config),
        left=left,
        clock=edges.clock,
        requests=inbox.alarm_requests,
        outlets=outlets,
        siren=Siren(longest_s=seconds_of_minutes(siren.longest_min)),
    )


def _stood_in(problem: Exception, why: str) -> Loaded:
    """What a house begins from when its memory cannot be opened: cuttings first, and nothing is kept."""
    found = problem.stand_in if isinstance(problem, StoreError) else None
    if found is None:
        return Loaded(rows={}, troubles=(f"nothing is known of before this start: {why}",))
    return replace(found, troubles=(why, *found.troubles))


def tell_of_disk(outlets: Outlets, saver: Saver, trouble: str | None) -> None:
    """Tell that the state can no longer be written, or that it can be again."""
    if trouble is None:
        lost, saver.lost_entries = saver.lost_entries, 0
        words = f"; {lost} lines of the journal were too many to wait for that" if lost else ""
        outlets.tell(EventKind.STATE_KEPT_AGAIN, f"the state is written again{words}")
    else:
        outlets.tell(EventKind.STATE_NOT_KEPT, f"{trouble}; misting goes on, a restart would forget the rest")
