"""A site as it is, beside what its register says of it."""

from dataclasses import dataclass, field

from tests.simulation.houses import House
from tests.simulation.roofs import Roof


@dataclass
class Battery:
    """A battery as it was set; levels in per cent."""

    kwh: float
    power_w: float
    reserve_pct: float
    resume_pct: float
    floor_pct: float
    efficiency: float
    standby_w: float
    cold_c: float  # below this temperature it charges with less power; -50 = never


@dataclass
class Logger:
    """What meters and logger make of the truth."""

    minutes: int
    power_step_w: float  # resolution
    level_step_pct: float
    pv_gain: float
    grid_gain: float
    load_gain: float
    battery_gain: float
    offset_w: float
    noise_w: float
    is_dc: bool  # PV is measured before the inverter
    is_load_measured: bool  # else it is the sum of the others
    gap_chance: float  # of a missing row
    cell_chance: float  # of a missing cell
    sleeps_at_night: bool = False
    has_inputs: bool = False
    has_phases: bool = False
    has_voltage: bool = False
    has_temperature: bool = False
    has_irradiance: bool = False
    has_frequency: bool = False
    night_w: float = 0.0  # own consumption that is reported as negative generation


@dataclass
class Site:
    """One site of the fleet."""

    site_id: str
    region: int
    latitude: float
    longitude: float
    east_km: float
    north_km: float
    zone: str
    roof: Roof
    house: House
    battery: Battery | None
    feed_in_limit_kw: float | None
    import_limit_kw: float | None
    target_w: float
    three_phase: bool
    is_compensated: bool  # its inverter evens the phases out
    is_grid_charging_agreed: bool
    single_input_strings: int  # of one plane
    logger: Logger
    profile: int = 0  # place in the fleet's list
    above_fog: bool = False
    is_alone: bool = False
    devices: int = 1
    external_id: str = ""
    told: dict[str, str] = field(default_factory=dict)  # cells of the register that were filled in
    arrays: list[tuple[float, float, float]] = field(default_factory=list)  # rows of arrays.csv
    role: str = "clean"  # or the look-alike's name, or "fault"
    clock_zone: str = ""  # the zone of its system's wall clock, if not its own
    nominal_v: float = 230.0

    @property
    def wall_zone(self) -> str:
        return self.clock_zone or self.zone

    @property
    def limit_class(self) -> str:
        if self.feed_in_limit_kw is None:
            return "unlimited"
        return "no-export" if self.feed_in_limit_kw == 0 else "limited"
