"""The almanac, kept up to date: made anew at its end, when the clock has moved and when trust changes."""

from mistd.app.sun import Place, almanac_at, uncertain_almanac
from mistd.core.almanac import Almanac
from mistd.core.house import House
from mistd.core.readings import SensorKind
from mistd.ports.clock import Clock

# Wall and monotonic time apart by more than this since the last look is a step, and told; by as much since
# the almanac was made, its instants no longer hold.
STEP_S = 2.0
LIGHT_W_PER_M2 = 10.0  # above this it is day, while the clock is not trusted


class Calendar:
    """Knows when the house needs a new almanac."""

    def __init__(self, place: Place, clock: Clock) -> None:
        self._place = place
        self._clock = clock
        self._offset_s = self._wall_minus_monotonic_s()
        self._is_first_look = True
        self._made_at_offset_s = self._offset_s
        self.stepped_s = 0.0  # by how much the wall clock was stepped at the last look

    def first(self) -> Almanac:
        """The almanac to begin with."""
        return self._made(is_light=None)

    def news(self, house: House, now_s: float) -> Almanac | None:
        """A new almanac when the old one no longer holds, and at the first look (after a midnight?)."""
        self._look_for_step()
        is_old = now_s >= house.almanac.ends_s or self._is_first_look
        is_off = abs(self._offset_s - self._made_at_offset_s) > STEP_S
        self._is_first_look = False
        if is_old or is_off or self._clock.is_trusted() is not house.almanac.is_trusted:
            return self._made(is_light=_is_light(house))
        return None

    def _made(self, *, is_light: bool | None) -> Almanac:
        utc, now_s = self._clock.utc(), self._clock.now_s()
        self._made_at_offset_s = self._offset_s
        if self._clock.is_trusted():
            return almanac_at(self._place, utc, now_s)
        return uncertain_almanac(self._place, utc, now_s, is_light=is_light)

    def _look_for_step(self) -> None:
        """The offset is followed at every look, so that slewing and drift are never told as a step."""
        offset_s = self._wall_minus_monotonic_s()
        moved_s, self._offset_s = offset_s - self._offset_s, offset_s
        self.stepped_s = moved_s if abs(moved_s) > STEP_S else 0.0

    def _wall_minus_monotonic_s(self) -> float:
        return self._clock.utc().timestamp() - self._clock.now_s()


def _is_light(house: House) -> bool | None:
    """Whether any trusted light reading says day; None without one."""
    readings = [
        sensor.good_value for sensor in house.sensors.values() if sensor.plan.kind is SensorKind.LIGHT
    ]
    trusted = [reading for reading in readings if reading is not None]
    return max(trusted) > LIGHT_W_PER_M2 if trusted else None
