"""The sample's sites lived through by the simulator: their true series, and what their loggers made of them."""

import zlib
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from tests.simulation.axis import Axis
from tests.simulation.consequences import weigh
from tests.simulation.faults import Fault
from tests.simulation.live import Truth, live, prepare
from tests.simulation.meters import Samples, sample
from tests.simulation.plant import Control
from tests.simulation.sample_fleet.equipment import equipped
from tests.simulation.sample_fleet.faults import TRIALS, faults_at
from tests.simulation.sample_fleet.sites import DAYS, FIRST_DAY, REGIONS, SITES, Spec
from tests.simulation.sample_fleet.weather import climate_of, told_days
from tests.simulation.site import Site
from tests.simulation.sky import region_weather

STEP_S = 300
# A clock that is half a day off writes rows of the days before and after into the files of the sample's days.
AXIS = Axis(FIRST_DAY - timedelta(days=1), len(DAYS) + 2, STEP_S)


@dataclass(frozen=True)
class Lived:
    """One site's days."""

    spec: Spec
    site: Site
    truth: Truth
    samples: Samples
    faults: list[Fault]


def live_fleet() -> list[Lived]:
    """Every site, in the order of the description; the same each time."""
    sites = [equipped(spec) for spec in SITES]
    faults = {spec.site_id: faults_at(spec, AXIS) for spec in SITES}
    weather = {}
    for region in REGIONS.values():
        rng = _chance(region.name)
        days = told_days(region, AXIS, rng)
        weather[region.name] = region_weather(AXIS, climate_of(region), region.latitude, rng, days)
    prepared = []
    for spec, site in zip(SITES, sites, strict=True):
        one = prepare(site, weather[spec.region], AXIS, None, _chance(spec.site_id))
        if spec.site_id in TRIALS:
            _try_out(one.control, site, spec)
        prepared.append(one)
    truths = live(prepared, {name: mine for name, mine in faults.items() if mine}, zlib.crc32(b"plant"))
    out = []
    for spec, site, truth in zip(SITES, sites, truths, strict=True):
        mine = faults[spec.site_id]
        for fault in mine:
            weigh(fault, site, truth)
        rng = _chance(f"{spec.site_id} meters")
        samples = sample(site, truth, mine, is_instant=spec.kind == "metric-long", rng=rng)
        out.append(Lived(spec, site, truth, samples, mine))
    return out


def _chance(name: str) -> np.random.Generator:
    """A chance of its own for each name, so that one site's changes leave the others as they are."""
    return np.random.default_rng(zlib.crc32(name.encode()))


def _try_out(control: Control, site: Site, spec: Spec) -> None:
    """Nothing before the first trial; until commissioning an hour on and an hour off."""
    first, last = TRIALS[spec.site_id]
    day, hour = AXIS.local_day(site.zone), AXIS.local_hour(site.zone)
    begin, end = ((one - AXIS.first).days for one in (first, last))
    off = (day < begin) | ((day <= end) & (hour.astype(int) % 2 == 1))
    control.pv_w = np.where(off, 0.0, control.pv_w)
