"""The water standing in a line: how much, how warm, and where it goes while nothing sprays.

Shut in, it holds or runs out through the lowest nozzle at an even rate, seeps from holes, and takes on the
warmth around it. Nothing is done to water that merely stands: its state follows in closed form from the mark
at which it began to, whenever somebody looks. No water goes out that is not there.

It knows no pressure, no valve and no nozzle.
"""

from math import exp, inf, sqrt

from simulators.plant.units import SECONDS_PER_MINUTE

ROUNDING_L = 1e-9  # a line this close to full is full; a drop is 50,000 times more
STANDING_BAR = 0.015  # ours: the water standing in a shut line presses on a hole with 15 cm on average
ROOT_STANDING_BAR = sqrt(STANDING_BAR)


class Surroundings:
    """The time, and the temperature that water standing in any line is on its way to.

    `followed_c` follows that temperature as a line's own water would. A line that differed from it by so much
    at its mark differs by exp(-t / over_s) of that later, whatever the sun did meanwhile.
    """

    __slots__ = ("followed_c", "now_s", "over_s")

    def __init__(self, over_s: float, line_c: float) -> None:
        self.over_s = over_s
        self.now_s = 0.0
        self.followed_c = line_c

    def run(self, dt_s: float, line_c: float) -> None:
        self.now_s += dt_s
        self.followed_c = line_c + (self.followed_c - line_c) * exp(-dt_s / self.over_s)


class StandingWater:
    """What one line holds. Amounts and temperature are those at the last mark until it is settled."""

    __slots__ = (
        "_drains_l_per_min",
        "_since_c",
        "_since_s",
        "_surroundings",
        "blown_off_factor",
        "drained_l",
        "full_from_l",
        "hole_factor",
        "leaked_l",
        "litres",
        "volume_l",
        "water_c",
    )

    def __init__(self, volume_l: float, drains_over_s: float, surroundings: Surroundings) -> None:
        self.volume_l = volume_l
        self.full_from_l = volume_l - ROUNDING_L
        self._drains_l_per_min = volume_l / drains_over_s * SECONDS_PER_MINUTE
        self._surroundings = surroundings
        self.hole_factor = 0.0  # l/min per square root of bar
        self.blown_off_factor = 0.0  # of nozzles that are gone, the same
        self.litres = 0.0
        self.drained_l = 0.0
        self.leaked_l = 0.0
        self.water_c = surroundings.followed_c
        self.mark()

    @property
    def is_full(self) -> bool:
        return self.litres >= self.full_from_l

    @property
    def drips_l_per_min(self) -> float:
        """Out of the lowest nozzle, and of nozzles that are gone, by its own weight."""
        return self._drains_l_per_min + self.blown_off_factor * ROOT_STANDING_BAR

    @property
    def seeps_l_per_min(self) -> float:
        """Out of its hole by its own weight."""
        return self.hole_factor * ROOT_STANDING_BAR

    def mark(self) -> None:
        """Count from now."""
        self._since_s = self._surroundings.now_s
        self._since_c = self._surroundings.followed_c

    def settle(self, came_l: float = 0.0, came_c: float = 0.0) -> None:
        """Stand from the mark until now, while so much came in evenly, and mark anew."""
        around = self._surroundings
        dt_s = around.now_s - self._since_s
        if dt_s <= 0.0 and came_l <= 0.0:
            return
        kept = exp(-dt_s / around.over_s)
        self.water_c = around.followed_c + (self.water_c - self._since_c) * kept
        if came_l > 0.0:
            self._mix_in(came_l, came_c)
        if self.litres + came_l > 0.0:
            self._run_out(dt_s, came_l)
        self._since_s = around.now_s
        self._since_c = around.followed_c

    def flush(self, passed_l: float, supply_c: float) -> float:
        """Pass fresh water through the full line and mark anew; return how warm what came out was on average.

        What stands in the line and what comes in are taken as well mixed; exact for any amount.
        """
        changes = passed_l / self.volume_l if self.volume_l > 0.0 else inf
        warmer_c = self.water_c - supply_c
        kept = exp(-changes)
        mean = (1.0 - kept) / changes if changes > 0.0 else 1.0
        self.water_c = supply_c + warmer_c * kept
        self._since_s = self._surroundings.now_s
        self._since_c = self._surroundings.followed_c
        return supply_c + warmer_c * mean

    def _mix_in(self, came_l: float, came_c: float) -> None:
        there_l = self.litres + came_l
        if there_l > 0.0:
            self.water_c += (came_c - self.water_c) * came_l / there_l

    def _run_out(self, dt_s: float, came_l: float) -> None:
        """Drain and seep at even rates while some comes in evenly.

        What comes in beyond that goes out the same ways, or drips from the nozzles of a line that holds.
        """
        minutes = dt_s / SECONDS_PER_MINUTE
        drains_l = self.drips_l_per_min * minutes
        seeps_l = self.seeps_l_per_min * minutes if self.hole_factor > 0.0 else 0.0
        there_l = self.litres + came_l
        kept_l = max(0.0, there_l - drains_l - seeps_l)
        kept_l = min(kept_l, self.volume_l)
        gone_l = there_l - kept_l
        leaked_l = gone_l * seeps_l / (drains_l + seeps_l) if seeps_l > 0.0 else 0.0
        self.litres = kept_l
        self.leaked_l += leaked_l
        self.drained_l += gone_l - leaked_l
