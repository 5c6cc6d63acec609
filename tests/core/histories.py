"""Random histories of a house: what it is, and everything that happens to it and to its keeper.

Drawn by hypothesis in small pieces, so that a history that breaks a promise shrinks to the few happenings
that matter. `lived.py` lives them.
"""

from dataclasses import dataclass
from typing import Literal

from hypothesis import strategies as st

from mistd.core.almanac import DayPart
from mistd.core.cycles import TimedCycle, TimedPart
from mistd.core.plan import HousePlan, ZonePlan
from mistd.core.settings import (
    ClosedSet,
    CycleSet,
    CycleWanted,
    HoldSet,
    PartsSet,
    SettingKind,
    SettingValue,
    SkipSet,
    TrimSet,
)
from tests.core.houses import house_plan, zone_plan

PROBES = ("north", "south")


@dataclass(frozen=True)
class Asks:
    """A person asks for a burst (`burst`), a hold (`hold`) or a release (`release`)."""

    what: Literal["burst", "hold", "release"]
    zone: int
    for_s: float | None
    good_s: float = 30.0  # a burst that could not begin by then is too late


@dataclass(frozen=True)
class Sets:
    """A person sets something of a zone, having seen the revision it stands at, another one, or none."""

    kind: SettingKind
    zone: int
    value: SettingValue | None
    saw: Literal["newest", "another"] | None = None


@dataclass(frozen=True)
class Undoes:
    """A person takes a change back: the newest of all, or the one so many before it."""

    back: int


@dataclass(frozen=True)
class KeeperGoes:
    """The keeper is lost for a while: it dies, or only the connection does and its ledger lives on."""

    away_s: float
    dies: bool


@dataclass(frozen=True)
class Restarts:
    """The daemon is killed and started again after a while; the keeper may die with it (power is lost)."""

    away_s: float
    keeper_dies: bool
    is_time_away_known: bool


@dataclass(frozen=True)
class ClockMoves:
    """The wall clock is set, or begins or ceases to be trusted."""

    by_s: float
    is_trusted: bool


@dataclass(frozen=True)
class Spell:
    """Sensors read a value so many times, or nonsense, in the unit of their own kind."""

    sensors: tuple[str, ...]
    value: float
    times: int
    every_s: float = 150.0
    drift: float = 0.0  # of each reading from the one before
    is_instead: bool = False  # of whatever else these sensors would read in the meantime


@dataclass(frozen=True)
class Plate:
    """A leaf-wetness sensor that works: wet when its zone's valve shuts, dry so long after."""

    sensor: str
    zone: str
    dries_s: float
    times: int
    every_s: float = 45.0

    @property
    def sensors(self) -> tuple[str, ...]:
        return (self.sensor,)


@dataclass(frozen=True)
class OrderFails:
    """What the keeper does with the next order it gets instead of obeying.

    refuses: for a reason of its own; deaf: it never heard it; mute: it obeys and does not say so;
    late: it obeys and says so a quarter of a minute later; sticks: the line shuts only after a minute, and it
    says so.
    """

    how: Literal["refuses", "deaf", "mute", "late", "sticks"]


@dataclass(frozen=True)
class Wakes:
    """The daemon decides though nothing is new."""


Happening = Asks | Sets | Undoes | KeeperGoes | Restarts | ClockMoves | Spell | Plate | OrderFails | Wakes


@dataclass(frozen=True)
class History:
    """A house and what happens to it: pauses in seconds between one happening and the next."""

    plan: HousePlan
    starts_at_hour: float
    happenings: tuple[tuple[float, Happening], ...]
    tail_s: float = 900.0  # lived on undisturbed after the last


def parts(burst_s: float) -> st.SearchStrategy[TimedPart | None]:
    gaps = st.sampled_from([300.0, 600.0, 1100.0])
    timed = gaps.map(lambda gap_s: TimedPart(burst_s=burst_s, gap_s=gap_s))
    return st.one_of(timed, timed, timed, st.none())


@st.composite
def cycles(draw: st.DrawFn) -> TimedCycle:
    burst_s = draw(st.sampled_from([5.0, 2.0, 8.0]))
    timed: dict[DayPart, TimedPart | None] = {part: draw(parts(burst_s)) for part in DayPart}
    if not any(timed.values()):
        timed[DayPart.DAY] = TimedPart(burst_s=burst_s, gap_s=600.0)
    return TimedCycle(parts=timed)


@st.composite
def plans(draw: st.DrawFn) -> HousePlan:
    """One to five zones, of which any may be off in any part of the day."""
    names = "abcde"[: draw(st.integers(min_value=1, max_value=5))]
    rests_s = st.sampled_from([60.0, 30.0, 200.0])
    zones: list[ZonePlan] = [
        zone_plan(name, draw(cycles()), shortest_rest_s=draw(rests_s), longest_burst_s=20.0) for name in names
    ]
    return house_plan(
        *zones,
        probes=PROBES,
        valves_at_once=draw(st.integers(min_value=1, max_value=3)),
        pause_s=draw(st.sampled_from([2.0, 0.5])),
    )


SMALL_ZONE = st.sampled_from([0, 0, 1, 2, 3, 4])
SET_LENGTHS_S = st.sampled_from([2000.0, 900.0, 300.0, 2000.0, 60.0, 59.0])
SET_GAPS_S = st.sampled_from([300.0, 150.0, 600.0, 1100.0, 300.0, 40.0])
SET_BURSTS_S = st.sampled_from([5.0, 2.0, 8.0, 5.0, 20.0, 8.0, 20.5])
TIMED_PARTS = st.builds(TimedPart, burst_s=SET_BURSTS_S, gap_s=SET_GAPS_S)
SOME_PARTS: st.SearchStrategy[dict[DayPart, TimedPart | None]] = st.dictionaries(
    st.sampled_from(DayPart), st.one_of(TIMED_PARTS, TIMED_PARTS, st.none()), min_size=1
)
TIMETABLES = TIMED_PARTS.map(lambda timed: TimedCycle(parts=dict.fromkeys(DayPart, timed)))
FRACTIONS = st.sampled_from([0.25, 1.0, -0.5, -0.2, 0.5, 1.0, 0.0, 1.5])
BY_THE_TIMETABLE = CycleSet(cycle=None, wanted=CycleWanted(written={"cycle": "timed"}, words="timed"))
VALUES: dict[SettingKind, st.SearchStrategy[SettingValue]] = {
    SettingKind.TIMETABLE: st.one_of(TIMETABLES, st.builds(PartsSet, parts=SOME_PARTS)),
    SettingKind.CYCLE: st.just(BY_THE_TIMETABLE),
    SettingKind.TRIM: st.builds(TrimSet, fraction=FRACTIONS, for_s=SET_LENGTHS_S),
    SettingKind.HOLD: st.builds(HoldSet, for_s=SET_LENGTHS_S),
    SettingKind.CLOSED: st.builds(ClosedSet, for_s=SET_LENGTHS_S),
    SettingKind.SKIP: st.builds(SkipSet, for_s=SET_LENGTHS_S),
}
KINDS = st.sampled_from(
    [
        *[SettingKind.TIMETABLE, SettingKind.TRIM, SettingKind.SKIP] * 2,
        *[SettingKind.CLOSED, SettingKind.HOLD, SettingKind.CYCLE],
    ]
)
SAW = st.sampled_from([*[None] * 5, "newest", "another"])
SETS = KINDS.flatmap(lambda kind: st.builds(Sets, st.just(kind), SMALL_ZONE, VALUES[kind], SAW))
TAKEN_BACK = st.builds(Sets, KINDS, SMALL_ZONE, st.none(), SAW)
UNDOES = st.builds(Undoes, st.sampled_from([0, 0, 0, 0, 1, 2, -1]))
CHANGES = st.one_of(SETS, SETS, SETS, SETS, TAKEN_BACK, UNDOES)
AWAY_S = st.sampled_from([1.0, 0.1, 4.0, 200.0, 400.0])
BURSTS_S = st.sampled_from([None, 4.0, 15.0, 25.0, 0.5])
HOLDS_S = st.sampled_from([300.0, 60.0, 130.0, 300.0, 900.0, 59.0, 20_000.0])
PEOPLE = st.one_of(
    st.builds(Asks, st.just("burst"), SMALL_ZONE, BURSTS_S, st.sampled_from([30.0, 4.0, 0.0])),
    st.builds(
        Asks, st.just("hold"), SMALL_ZONE, st.sampled_from([300.0, 60.0, 130.0, 900.0, 59.0, 20_000.0])
    ),
    st.builds(Asks, st.just("release"), SMALL_ZONE, st.none()),
)
SPELLS = st.builds(
    Spell,
    st.sampled_from([PROBES, PROBES[:1], PROBES[1:]]),
    st.sampled_from([0.5, 1.9, 0.0, 2.5, 5.0, 9.0, -127.0]),
    st.sampled_from([8, 4, 1]),
)
ELSE = st.one_of(
    st.builds(KeeperGoes, AWAY_S, st.booleans()),
    st.builds(
        ClockMoves,
        st.sampled_from([0.0, 3600.0, -3600.0, 4 * 3600.0, -9 * 3600.0, 86_400.0]),
        st.sampled_from([True, True, False]),
    ),
    st.builds(OrderFails, st.sampled_from(["refuses", "deaf", "mute", "late", "sticks"])),
    st.builds(Wakes),
)
RESTARTS = st.builds(Restarts, AWAY_S, st.booleans(), st.sampled_from([True, True, False]))
PAUSES_S = st.sampled_from([0.0, 0.25, 2.0, 7.0, 40.0, 130.0, 290.0])
MOMENTS_S = st.sampled_from([2.0, 0.25, 0.015])  # the last while a report is under way
Timed = tuple[float, Happening]


@st.composite
def quick_successions(draw: st.DrawFn) -> tuple[Timed, ...]:
    """Someone asks for a burst, and within moments for something else, or the keeper or the daemon goes."""
    zone, pause_s = draw(SMALL_ZONE), draw(MOMENTS_S)
    then = draw(st.sampled_from(["hold", "release", "change", "goes", "restarts"]))
    burst: Timed = (draw(PAUSES_S), Asks("burst", zone, None))
    hold: Timed = (pause_s, Asks("hold", zone, 300.0))
    if then == "hold":
        return (burst, hold)
    if then == "change":
        return (burst, (pause_s, draw(CHANGES)), (draw(MOMENTS_S), draw(CHANGES)))
    if then == "release":
        return (burst, hold, (draw(MOMENTS_S), Asks("release", zone, None)))
    if then == "goes":
        return (burst, (pause_s, KeeperGoes(draw(AWAY_S), draw(st.booleans()))))
    return (burst, (pause_s, draw(RESTARTS)))


@st.composite
def changes_of_mind(draw: st.DrawFn) -> tuple[Timed, ...]:
    """Someone sets something, sees what comes of it for a while, and takes it back or sets something else."""
    while_s = draw(st.sampled_from([290.0, 2.0, 130.0, 700.0]))
    return (
        (draw(PAUSES_S), draw(SETS)),
        (while_s, draw(st.one_of(UNDOES, SETS, TAKEN_BACK))),
    )


FROSTY_NIGHT: tuple[Timed, ...] = ((0.0, Spell(PROBES, 0.5, 8)),)


@st.composite
def histories(draw: st.DrawFn, *, with_restarts: bool, most: int = 16) -> History:
    """A history of so many happenings at most, or a few more, and half as many at least."""
    kinds = [PEOPLE, PEOPLE, CHANGES, SPELLS, ELSE, *([RESTARTS] if with_restarts else [])]
    single = st.tuples(PAUSES_S, st.one_of(*kinds)).map(lambda each: (each,))
    several = quick_successions().filter(lambda each: with_restarts or not isinstance(each[-1][1], Restarts))
    group = st.one_of(single, single, single, several, changes_of_mind())
    groups = draw(st.lists(group, min_size=most // 2, max_size=most))
    is_frosty = draw(st.sampled_from([False, False, False, True]))
    hours = [23.8, 2.0] if is_frosty else [12.0, 2.0, 4.8, 23.8, 19.8, 7.9]
    return History(
        plan=draw(plans()),
        starts_at_hour=draw(st.sampled_from(hours)),
        happenings=(*(FROSTY_NIGHT if is_frosty else ()), *(each for group in groups for each in group)),
    )
