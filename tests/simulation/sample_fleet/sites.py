"""The invented fleet: what stands on each roof, and what the register says of it (not always the same).

Every place name, site and firm here is made up. Coordinates lie in open country inside the named zone. What the roofs,
houses and meters make of it is the work of the simulator that the benches use.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

FIRST_DAY = date(2026, 3, 5)
LAST_DAY = date(2026, 4, 18)
DAYS = [FIRST_DAY + timedelta(days=i) for i in range((LAST_DAY - FIRST_DAY).days + 1)]

Plane = tuple[float, float, float]  # kWp, tilt in degrees, azimuth clockwise from north


@dataclass(frozen=True)
class Region:
    """Neighbours who share their weather."""

    name: str
    latitude: float
    longitude: float
    zone: str
    climate: str  # of the simulator's
    mean_temp_c: float
    sky: str  # one letter a day from 2026-03-03 on: c clear, m mixed, o overcast, d dark, w snow, s storm after noon


@dataclass(frozen=True, eq=False)
class Spec:
    """One roof as it really is; `register` overrides what sites.csv says of it."""

    site_id: str
    name: str
    region: str
    east_km: float  # from the region's centre
    north_km: float
    kind: str  # the profile of its exports
    external_id: str
    planes: tuple[Plane, ...]  # each an input of the inverter
    inverter_kw: float
    load_kwh_per_day: float
    battery_kwh: float = 0.0
    interval_min: int = 15
    clock_zone: str = ""  # the zone that the exporting system keeps; empty = the region's
    feed_in_limit_kw: float | None = None
    inputs: int = 1  # of one plane
    nominal_v: float = 230.0
    yields: float = 1.0  # share of what such modules should give
    shade: tuple[float, float, float, float] | None = None  # azimuth from, to, elevation, share of the beam lost
    register: dict[str, str] = field(default_factory=dict)

    @property
    def kwp(self) -> float:
        """The peak capacity that is really there."""
        return sum(plane[0] for plane in self.planes)

    @property
    def bearing(self) -> tuple[float, float] | None:
        """Tilt and azimuth, if all modules look the same way."""
        ways = {(tilt, azimuth) for _, tilt, azimuth in self.planes}
        return ways.pop() if len(ways) == 1 else None

    @property
    def place(self) -> tuple[float, float]:
        """The roof's latitude and longitude, degrees, to about 10 m."""
        region = REGIONS[self.region]
        latitude = region.latitude + self.north_km / 111.2
        degree_km = 111.2 * np.cos(np.radians(latitude))
        return round(latitude, 4), round(float(region.longitude + self.east_km / degree_km), 4)


# A letter a day from 2026-03-03; Birkmatt: snow falls on 10 March, the week of 14 to 20 March stays dark
REGIONS = {
    region.name: region
    for region in (
        Region(
            "Birkmatt", 46.98, 7.72, "Europe/Zurich", "temperate", 7.0,
            "cccccmowwmcdddddddcmcmmccmoccmcmccomccmcmmccmcomc",
        ),
        Region(
            "Nirvali", 17.52, 76.95, "Asia/Kolkata", "savanna", 29.0,
            "cccmcccccmcccsccccmcccccsccccmcccccscccmccccsccc",
        ),
        Region(
            "Wattlebrow", -33.92, 138.72, "Australia/Adelaide", "mediterranean", 20.0,
            "ccmcccmocccmccccmcoodoomccccmcccmcmocccmmcccomcc",
        ),
        Region(
            "Klipdraai", -29.08, 26.28, "Africa/Johannesburg", "savanna", 18.0,
            "scccsscmccssccmcccscccmccscccccmccscccmcccccmccc",
        ),
        Region(
            "Cold Spur", 39.92, -104.38, "America/Denver", "continental", 6.0,
            "mccmocccmccomcccmmcccocmcccmccmoccmcccmcccmcccmc",
        ),
    )
}  # fmt: skip


# fmt: off
SITES = (
    # -- Birkmatt: eight neighbours and one that is not watched
    Spec("BIR-01", "Birkmatt, Mill House", "Birkmatt", -2.1, 0.6, "evening-csv", "BIR-01", ((7.2, 32, 185),),
         6.0, 11.0, shade=(215.0, 300.0, 24.0, 0.9)),
    Spec("BIR-02", "Birkmatt, Saw Shed", "Birkmatt", 1.4, -1.2, "evening-csv", "BIR-02", ((12.0, 20, 170),), 10.0, 16.0,
         register={"tilt_deg": "", "azimuth_deg": ""}),
    Spec("BIR-03", "Birkmatt, Upper Orchard", "Birkmatt", 0.2, 2.5, "evening-csv", "BIR-03", ((8.1, 38, 200),),
         8.0, 10.0, 9.6),
    Spec("BIR-04", "Birkmatt, Smithy", "Birkmatt", 2.9, 1.1, "evening-csv", "BIR-04", ((6.4, 25, 160),), 6.0, 14.0,
         10.2, clock_zone="Europe/London", feed_in_limit_kw=0.0,
         register={"export_timezone": "Europe/London", "inverter_kw": ""}),
    Spec("BIR-05", "Birkmatt, School Lane", "Birkmatt", -0.9, -2.4, "fleet-day", "7105",
         ((5.5, 30, 178), (4.5, 30, 178)), 10.0, 14.0, 10.2, interval_min=5),
    Spec("BIR-06", "Birkmatt, Long Barn", "Birkmatt", -3.3, -0.8, "fleet-day", "7106", ((6.0, 22, 95), (6.0, 22, 275)),
         10.0, 18.0, interval_min=5, register={"phases": "3"}),
    Spec("BIR-07", "Birkmatt, Old Depot", "Birkmatt", 1.8, 3.2, "evening-csv", "BIR-07", ((5.4, 15, 220),), 5.0, 6.0,
         yields=0.5,
         register={"watched": "no", "tilt_deg": "", "azimuth_deg": "", "inverter_kw": ""}),
    Spec("BIR-08", "Birkmatt, Bakery", "Birkmatt", -1.6, 2.1, "evening-csv", "BIR-08", ((9.0, 28, 168),), 8.0, 19.0),
    Spec("BIR-09", "Birkmatt, Chapel Row", "Birkmatt", 0.8, -3.1, "evening-csv", "BIR-09", ((6.8, 35, 192),), 6.0, 10.0,
         7.7, register={"inverter_kw": ""}),
    # -- Nirvali: five neighbours under a half-hour zone
    Spec("NIR-01", "Nirvali, Weaver's Yard", "Nirvali", -1.0, 1.9, "nested-json", "st-4101", ((6.6, 15, 180),),
         6.0, 13.0, 7.7),
    Spec("NIR-02", "Nirvali, Grain Store", "Nirvali", 2.2, 0.4, "nested-json", "st-4102", ((8.8, 12, 175),), 8.0, 12.0,
         7.7, feed_in_limit_kw=0.0, register={"tilt_deg": "", "azimuth_deg": ""}),
    Spec("NIR-03", "Nirvali, Clinic", "Nirvali", 0.3, -1.6, "nested-json", "st-4103", ((7.7, 18, 190),),
         7.5, 17.0, 15.4),
    Spec("NIR-04", "Nirvali, Tea Room", "Nirvali", -2.4, -0.7, "metric-long", "NIR-04", ((5.5, 14, 165),), 5.0, 10.0,
         register={"inverter_kw": ""}),
    Spec("NIR-05", "Nirvali, Press House", "Nirvali", 1.5, 2.8, "metric-long", "NIR-05", ((9.0, 16, 182),), 8.0, 15.0,
         12.0),
    # -- Wattlebrow: south of the equator, a half-hour zone that leaves daylight saving on 2026-04-05
    Spec("WAT-01", "Wattlebrow, Shearing Shed", "Wattlebrow", -0.6, 1.3, "line-records", "wb01", ((8.0, 24, 5),),
         8.0, 15.0, interval_min=5, clock_zone="UTC", register={"export_timezone": "UTC"}),
    Spec("WAT-02", "Wattlebrow, Two Cottages", "Wattlebrow", 1.9, -0.5, "line-records", "wb02",
         ((6.0, 22, 350), (6.0, 22, 20)), 10.0, 24.0, 13.5, interval_min=5,
         feed_in_limit_kw=5.0),
    Spec("WAT-03", "Wattlebrow, Ridge", "Wattlebrow", 0.4, -2.2, "line-records", "wb03", ((6.6, 20, 330),), 5.0, 13.0,
         interval_min=5, register={"tilt_deg": "", "azimuth_deg": ""}),
    # -- Klipdraai: counters
    Spec("KLI-01", "Klipdraai, Pump House", "Klipdraai", -1.2, 0.8, "counter-zip", "KLI01", ((5.0, 28, 0),), 8.0, 9.0,
         register={"installed_kwp": "10", "commissioned_on": "2026-03-16"}),
    Spec("KLI-02", "Klipdraai, Farm Stall", "Klipdraai", 1.1, -1.4, "counter-zip", "KLI02", ((7.5, 30, 10),), 6.0, 14.0,
         10.0),
    # -- Cold Spur: alone
    Spec("COL-01", "Cold Spur, Trading Post", "Cold Spur", 0.0, 0.0, "fleet-day", "7301", ((9.9, 27, 195),), 8.0, 22.0,
         interval_min=5, inputs=2, nominal_v=120.0),
)
# fmt: on

BY_ID = {site.site_id: site for site in SITES}
DEVICES = {"WAT-02": (("A", "wb02-a", 5.0), ("B", "wb02-b", 5.0))}  # site -> device, what exports call it, AC rating
