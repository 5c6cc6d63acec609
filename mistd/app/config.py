"""What a house's file may say: one closed model for each of its tables, with units and ranges.

The file says what is wired and what the limits are. The models are the edge of the program: minutes and
percent are allowed in them and nowhere further in.
"""

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, field_validator

from mistd.core.demand_cycles import CycleKind
from mistd.core.film import LeafSurface
from mistd.core.readings import SensorKind
from mistd.core.units import SENSOR_UNITS

LONGEST_BURST_S = 30.0  # longer is refused outside flush, exercise and recorded tests (design, section 4)
LONGEST_SOCKET_PATH = 100  # bytes; the kernel takes 107

Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_-]{0,30}$", strict=True)]
NAME_RULE = "lower-case letters, digits, - and _, at most 31"
Topic = Annotated[str, StringConstraints(pattern=r"^[^+#\x00/][^+#\x00]{0,250}$", strict=True)]
PathText = Annotated[str, StringConstraints(pattern=r"^[^\x00]+$", strict=True), Field(description="a path")]


class Section(BaseModel):
    """A part of the file: closed, strict about kinds, without infinities."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class HouseSection(Section):
    """Who the house is."""

    name: Name = Field(description=NAME_RULE)
    title: str = Field(default="", max_length=80)


class PlaceSection(Section):
    """Where the house stands, for the sun."""

    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    elevation_m: float = Field(ge=-430, le=6000)
    time_zone: str = Field(description="a zone of the tz database, such as Europe/Lisbon")

    @field_validator("time_zone")
    @classmethod
    def _is_known(cls, name: str) -> str:
        try:
            ZoneInfo(name)
        except (ValueError, OSError, LookupError):
            raise ValueError("no such zone in the tz database; write it as in Europe/Lisbon") from None
        return name


class DayPartsSection(Section):
    """Where the parts of the day begin, in minutes after (+) or before (-) the sun's own times."""

    dawn_begins_min: float = Field(default=-30, ge=-180, le=180)  # from sunrise
    day_begins_min: float = Field(default=90, ge=-180, le=300)  # from sunrise
    dusk_begins_min: float = Field(default=-90, ge=-300, le=180)  # from sunset
    night_begins_min: float = Field(default=30, ge=-180, le=180)  # from sunset


class LineSection(Section):
    """What the shared supply line carries."""

    valves_at_once: int = Field(default=1, ge=1, le=16)
    pause_s: float = Field(default=2.0, ge=0.5, le=30)


class FrostSection(Section):
    """When it is too cold to mist."""

    below_c: float = Field(default=2.0, ge=-5, le=5)
    delay_min: float = Field(default=10.0, ge=1, le=120)


class HoldsSection(Section):
    """How long people may keep a zone dry."""

    longest_min: float = Field(default=240.0, ge=1, le=720)


class TimedPartSection(Section):
    """Burst and gap of one part of the day, or `off = true`."""

    burst_s: float | None = Field(default=None, ge=0.5, le=LONGEST_BURST_S)
    gap_min: float | None = Field(default=None, gt=0, le=1440)
    off: bool = False


class TimedSection(Section):
    """The timetable of a zone: all four parts of the day."""

    night: TimedPartSection
    dawn: TimedPartSection
    day: TimedPartSection
    dusk: TimedPartSection


class DemandPartSection(Section):
    """How a zone on demand is misted in one part of the day, and how seldom and how often at most."""

    mist: Literal["on_demand", "sparse", "off"] = "on_demand"
    shortest_gap_min: float | None = Field(default=None, ge=0.1, le=240)
    longest_gap_min: float | None = Field(default=None, ge=1, le=720)


class DemandSection(Section):
    """The set points of a zone whose cycle is vpd, leaf_wetness or film."""

    surface: LeafSurface = Field(default=LeafSurface.ORDINARY, strict=False)
    dry_back_percent: float | None = Field(default=None, ge=5, le=90)
    set_point_kpa_h: float | None = Field(default=None, ge=0.01, le=20)
    as_every_min: float | None = Field(default=None, ge=1, le=240)
    at_kpa: float | None = Field(default=None, ge=0.1, le=8)
    burst_s: float | None = Field(default=None, ge=0.5, le=LONGEST_BURST_S)  # None: as refills the film
    night: DemandPartSection | None = None
    dawn: DemandPartSection | None = None
    day: DemandPartSection | None = None
    dusk: DemandPartSection | None = None


class ZoneSection(Section):
    """A valve, its nozzles and the bench they wet."""

    name: Name = Field(description=NAME_RULE)
    title: str = Field(default="", max_length=80)
    pin: int | None = Field(default=None, ge=0, le=27)  # the header pins of a Raspberry Pi, by GPIO number
    nozzles: int = Field(ge=1, le=500)
    nozzle_flow_l_per_min: float = Field(ge=0.001, le=10)
    nozzle_pressure_bar: float = Field(ge=0.1, le=10)
    bench_area_m2: float = Field(ge=0.01, le=1000)
    line_volume_l: float = Field(default=0.0, ge=0, le=50)
    longest_burst_s: float = Field(default=20.0, ge=1, le=LONGEST_BURST_S)
    shortest_rest_s: float = Field(default=60.0, ge=1, le=3600)
    timed: TimedSection
    dry_allowance_kpa_min: float = Field(default=10.0, ge=0, le=1000)  # a day, for the scores of a rehearsal
    cycle: CycleKind = Field(default=CycleKind.TIMED, strict=False)
    demand: DemandSection | None = None


class SensorSection(Section):
    """A sensor whose readings arrive over the broker."""

    name: Name = Field(description=NAME_RULE)
    kind: SensorKind = Field(strict=False)
    topic: Topic = Field(description="an MQTT topic without wildcards")
    field: str | None = Field(
        default=None, min_length=1, max_length=80
    )  # of a JSON object; else a plain number
    unit: str | None = None
    stale_after_s: float = Field(default=300.0, ge=5, le=7200)
    zone: Name | None = Field(default=None, description=NAME_RULE)  # None: it serves the whole house
    dry_reads: float | None = Field(
        default=None, ge=-1e6, le=1e6
    )  # what a leaf-wetness sensor sends when dry
    wet_reads: float | None = Field(default=None, ge=-1e6, le=1e6)  # and when it is wet all over


class OutputsSection(Section):
    """What drives the valves. The driver named here is used or nothing is."""

    driver: Literal["gpiozero", "simulated"]
    factory: Literal["lgpio", "mock"] = "lgpio"
    active_high: bool = True
    path: PathText = "outputs.sim"  # of the simulated driver: the file that stands for the valves


class SirenSection(Section):
    """A siren or beacon that calls people: an output line of its own, and no valve."""

    title: str = Field(default="", max_length=80)
    pin: int | None = Field(default=None, ge=0, le=27)
    active_high: bool | None = None  # None: as the outputs
    longest_min: float = Field(default=10.0, ge=0.5, le=120)  # then it is quiet until a new alarm is raised


class BrokerSection(Section):
    """The MQTT broker."""

    host: str = Field(default="127.0.0.1", min_length=1, max_length=253)
    port: int = Field(default=1883, ge=1, le=65535)
    protocol: Literal["5", "3.1.1"] = "5"
    username: str | None = Field(default=None, max_length=255)
    password_file: PathText | None = None
    tls: bool = False
    ca_file: PathText | None = None
    keepalive_s: int = Field(default=20, ge=2, le=600)

    @field_validator("host")
    @classmethod
    def _is_a_host(cls, name: str) -> str:
        try:
            is_one = bool(name.encode("idna")) and name.isprintable() and " " not in name
        except UnicodeError:
            is_one = False
        if not is_one:
            raise ValueError("neither a host name nor an address")
        return name


class StateSection(Section):
    """Where the daemon keeps what a restart needs, and where it speaks with its keeper."""

    directory: PathText = "/var/lib/mistd"
    run_directory: PathText = "/run/mistd"

    @field_validator("run_directory")
    @classmethod
    def _is_short(cls, path: str) -> str:
        if len(path.encode()) > LONGEST_SOCKET_PATH - len("/keeper.sock"):
            raise ValueError(f"too long for a socket's path, at most {LONGEST_SOCKET_PATH - 12} bytes")
        return path


class Config(Section):
    """A whole house, checked."""

    house: HouseSection
    place: PlaceSection
    day_parts: DayPartsSection = DayPartsSection()
    line: LineSection = LineSection()
    frost: FrostSection = FrostSection()
    holds: HoldsSection = HoldsSection()
    outputs: OutputsSection
    siren: SirenSection | None = None
    broker: BrokerSection = BrokerSection()
    state: StateSection = StateSection()
    zones: tuple[ZoneSection, ...]
    sensors: tuple[SensorSection, ...] = ()


def units_for(kind: SensorKind) -> tuple[str, ...]:
    """The units in which a sensor of this kind may send; the first is taken when none is named."""
    return tuple(SENSOR_UNITS[kind])
