"""A house run through a stretch of weather: the same `decide` as the daemon's, the plant instead of pipes.

No event loop, no bus, no store: between two instants at which something can change, nothing is done. Every
valve opens by the decision and the keeper's ledger, every reading comes from the plant's instruments. It does
not count what became of the cuttings; see `scores`.

Rule: nothing here decides when to mist.
"""

from collections.abc import Callable, Collection
from datetime import UTC, date, datetime, timedelta, tzinfo
from random import Random

from mistd.app.config import Config
from mistd.app.house_plan import house_plan, keeper_rules, place_of
from mistd.app.sun import Place, almanac_at
from mistd.core.actions import OpenValve, ShutValve
from mistd.core.almanac import Almanac
from mistd.core.decide import decide
from mistd.core.house import House, begun
from mistd.core.observations import NOTHING_NEW, KeeperNews, KeeperReady, LineEdge, LineReport, Observations
from mistd.core.readings import Reading, SensorKind, reading_of
from mistd.core.units import S_PER_DAY
from simulators.house_on_the_bench import plant_plan, readings_by_sensor
from simulators.plant.instrument_board import EVERY_KIND, WATER_KINDS
from simulators.plant.plant import LONGEST_STEP_S, Plant, PlantPlan
from simulators.plant.weather import Weather
from simulators.rehearsal.ledger_keeper import LedgerKeeper
from simulators.rehearsal.result import HouseRun
from simulators.rehearsal.scores import Scores

READ_EVERY_S = 120.0  # the longest that sensors of air and light wait before they send again
WATER_READ_EVERY_S = 240.0  # and those of the water, which seldom flows at such an instant
SENDS_A_STALENESS = 2.0  # no sensor sends so seldom that it would be taken for lost

AIR_KINDS = EVERY_KIND - WATER_KINDS


class HouseAtWork:
    """One configuration in its simulated house, from `begins_s` seconds into the weather on."""

    def __init__(
        self,
        config: Config,
        weather: Weather,
        *,
        seed: int,
        begins_s: float = 0.0,
        plan: PlantPlan | None = None,
        longest_step_s: float = LONGEST_STEP_S,
    ) -> None:
        self.now_s = begins_s
        self.decisions = 0
        self.refused = 0  # orders that the keeper refused
        self.plant = Plant(
            plan or plant_plan(config),
            weather,
            Random(seed),
            starts_at_s=begins_s,
            longest_step_s=longest_step_s,
        )
        self.plant.canopy.wet_through()  # trays are misted in by hand
        self.scores: Scores | None = None
        self._starts_at = weather.starts_at.astimezone(UTC)
        self._place = place_in_weather(config, weather)
        self._config = config
        self._sensors = [(sensor.name, sensor.kind) for sensor in config.sensors]
        self._air_every_s = _sends_every_s(config, AIR_KINDS, READ_EVERY_S)
        self._water_every_s = _sends_every_s(config, WATER_KINDS, WATER_READ_EVERY_S)
        self._keeper = LedgerKeeper(keeper_rules(config), begins_s)
        self._house = begun(house_plan(config), self._almanac(), begins_s)
        self._news: list[KeeperNews] = [KeeperReady(since_s=begins_s)]
        self._wake_at_s = begins_s
        self._air_at_s = self._water_at_s = begins_s  # when sensors send next

    @property
    def house(self) -> House:
        return self._house

    def live_until(self, end_s: float) -> None:
        """Go on to an instant, which is not before the present one."""
        while self.now_s < end_s:
            self._live_now()
            next_s = min(
                self._wake_at_s,
                self._keeper.next_end_s,
                self._air_at_s,
                self._water_at_s,
                self._house.almanac.ends_s,
                end_s,
            )
            self.plant.run_to(next_s)
            self.now_s = next_s

    def _live_now(self) -> None:
        """Decide, and again for as long as the keeper has something to say to it."""
        if self._keeper.next_end_s <= self.now_s:
            for report in self._keeper.shut_due(self.now_s):
                self._hear(report)
        observations = self._observations()
        while True:
            decision = decide(self._house, observations, self.now_s)
            self.decisions += 1
            self._house, self._wake_at_s = decision.house, decision.wake_at_s
            for action in decision.actions:
                if isinstance(action, OpenValve):
                    self._hear(self._keeper.order(action, self.now_s))
                elif isinstance(action, ShutValve):
                    shut = self._keeper.shut(action.zone, action.reason, self.now_s)
                    if shut is not None:
                        self._hear(shut)
            if not self._news:
                return
            observations = Observations(keeper=self._taken_news())

    def _hear(self, report: LineReport) -> None:
        """Take a report of the keeper's: move the valve it tells of, and hand it on to the decision."""
        self._news.append(report)
        if report.edge is LineEdge.REFUSED:
            self.refused += 1
            return
        is_open = report.edge is LineEdge.OPENED
        self.plant.command(report.line, is_open=is_open)
        if self.scores is not None:
            self.scores.edge(report.line, self.now_s, is_open=is_open)

    def _observations(self) -> Observations:
        almanac = self._almanac() if self.now_s >= self._house.almanac.ends_s else None
        readings = self._readings()
        if almanac is None and not readings and not self._news:
            return NOTHING_NEW
        return Observations(almanac=almanac, keeper=self._taken_news(), readings=readings)

    def _taken_news(self) -> tuple[KeeperNews, ...]:
        news, self._news = tuple(self._news), []
        return news

    def _readings(self) -> tuple[tuple[str, Reading], ...]:
        now_s, kinds = self.now_s, frozenset[SensorKind]()
        if now_s >= self._air_at_s:
            self._air_at_s += self._air_every_s
            kinds = AIR_KINDS
        if now_s >= self._water_at_s:
            self._water_at_s += self._water_every_s
            kinds |= WATER_KINDS
        if not kinds:
            return ()
        said = readings_by_sensor(self._config, self.plant, kinds)
        return tuple(
            (name, reading_of(kind, said[name], now_s)) for name, kind in self._sensors if name in said
        )

    def _almanac(self) -> Almanac:
        return almanac_at(self._place, self._starts_at + timedelta(seconds=self.now_s), self.now_s)


def rehearsed(
    config: Config,
    weather: Weather,
    *,
    label: str,
    seed: int,
    first_day: date,
    last_day: date,
    said: Callable[[float], None] | None = None,
    plan: PlantPlan | None = None,
    longest_step_s: float = LONGEST_STEP_S,
    at_midnight: Callable[[int, Plant], None] | None = None,
) -> HouseRun:
    """Run a house from the first midnight of `first_day` to the last of `last_day`, both included.

    Args:
        config: the house; nothing of its outputs, broker or directories is touched.
        weather: has to cover those days; its site, where it has one, is where the sun is reckoned.
        label: names the run in the result.
        seed: of the plant's instruments.
        first_day: by the weather's standard time.
        last_day: by the weather's standard time.
        said: called once for each simulated day with the share that is done.
        plan: of the simulated house; None: as the configuration has it.
        longest_step_s: of the plant, by day.
        at_midnight: called with each day's number from nought, at its midnight: to break an instrument, say.

    Raises:
        ValueError: the weather does not cover the days.
    """
    begins_s = seconds_to_midnight(weather, first_day)
    days = (last_day - first_day).days + 1
    work = HouseAtWork(
        config, weather, seed=seed, begins_s=begins_s, plan=plan, longest_step_s=longest_step_s
    )
    scores = Scores(config, work.plant, begins_s=begins_s, first_day=first_day)
    work.scores = scores
    work.plant.watch = scores.step
    for day in range(days):
        if at_midnight:
            at_midnight(day, work.plant)
        work.live_until(begins_s + (day + 1) * S_PER_DAY)
        scores.end_day()
        if said:
            said((day + 1) / days)
    return scores.result(label=label, decisions=work.decisions)


def _sends_every_s(config: Config, kinds: Collection[SensorKind], longest_s: float) -> float:
    """How often the house's sensors of these kinds send."""
    stale_s = [sensor.stale_after_s / SENDS_A_STALENESS for sensor in config.sensors if sensor.kind in kinds]
    return min([longest_s, *stale_s])


def seconds_to_midnight(weather: Weather, day: date) -> float:
    """Where in the weather a day begins, by the weather's own clock.

    Raises:
        ValueError: it begins before the weather does.
    """
    midnight = datetime(day.year, day.month, day.day, tzinfo=weather.starts_at.tzinfo)
    begins_s = (midnight - weather.starts_at).total_seconds()
    if begins_s < 0.0:
        raise ValueError(
            f"the weather begins at {weather.starts_at:%Y-%m-%d %H:%M}, not by {day.isoformat()}"
        )
    return begins_s


def place_in_weather(config: Config, weather: Weather) -> Place:
    """Where the sun is reckoned: at the weather's site and by its clock, else where the house stands."""
    place = place_of(config.place, config.day_parts)
    zone: tzinfo | None = weather.starts_at.tzinfo
    if weather.site is None or zone is None:
        return place
    return Place(
        latitude=weather.site.latitude_deg,
        longitude=weather.site.longitude_deg,
        time_zone=zone,
        dawn_begins_s=place.dawn_begins_s,
        day_begins_s=place.day_begins_s,
        dusk_begins_s=place.dusk_begins_s,
        night_begins_s=place.night_begins_s,
    )
