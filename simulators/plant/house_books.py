"""The books of a house's heat and vapour: every flow since the start, counted as it acted on the stores.

They know no physics and correct nothing. `house_climate` keeps them, and they must close: what the flows
leave is what is in store.
"""


class HeatBook:
    """What came into the stores of heat and what left them since the start, in J per m2 of floor."""

    __slots__ = (
        "bottom_heat_j",
        "condensed_j",
        "cover_j",
        "evaporated_j",
        "heating_j",
        "sky_j",
        "sun_j",
        "vented_j",
    )

    def __init__(self) -> None:
        self.sun_j = 0.0
        self.heating_j = 0.0
        self.bottom_heat_j = 0.0
        self.condensed_j = 0.0  # set free by vapour on the cover and as fog
        self.evaporated_j = 0.0  # taken by evaporation; negative when dew gave some back
        self.cover_j = 0.0  # from cover to the air outside and to what is as warm as it
        self.sky_j = 0.0  # more, because the sky is colder than the air
        self.vented_j = 0.0  # sensible heat only

    @property
    def gained_j(self) -> float:
        """All that came less all that left."""
        came_j = self.sun_j + self.heating_j + self.bottom_heat_j + self.condensed_j
        return came_j - self.evaporated_j - self.cover_j - self.sky_j - self.vented_j

    @property
    def moved_j(self) -> float:
        """The size of all flows together, to measure an error against."""
        return float(sum(abs(getattr(self, name)) for name in self.__slots__))


class VapourBook:
    """What came into the air as vapour and what left it since the start, in kg per m2 of floor."""

    __slots__ = ("condensed_kg", "evaporated_kg", "vented_kg")

    def __init__(self) -> None:
        self.evaporated_kg = 0.0  # net of dew
        self.condensed_kg = 0.0  # on the cover, and as fog
        self.vented_kg = 0.0

    @property
    def gained_kg(self) -> float:
        return self.evaporated_kg - self.condensed_kg - self.vented_kg
