"""Days of which much was generated while the sun was well down: their stamps are wrong, whoever finds that out later.

The clock's detector asks for more than one such day after right ones, as one file may be written wrongly; until then a
day that was moved by hours would look like a roof that lost most of its power.
"""

import numpy as np

from detectors.finding import REASONS, Reason, because
from detectors.solar.position import elevation_deg
from detectors.yields.fleet_day import Fleet
from detectors.yields.quarter_hours import QUARTERS, table
from detectors.yields.roof_model import EPOCH
from detectors.yields.roofs import instants

DARK_DEG = -6.0  # the end of civil twilight
DARK_SHARE = 0.1  # ours: a clock an hour off puts less there (tested at 47 degrees in April), one eight hours off more
MIN_KWH_PER_KWP = 0.1  # ours: of the day; below it a meter's own offset would be a share


def of_day(fleet: Fleet) -> dict[str, Reason]:
    """Site -> why its day tells nothing of its roof."""
    latitude, longitude = (fleet.sites[name].to_numpy() for name in ("latitude", "longitude"))
    at = instants(longitude, np.full(len(longitude), float((fleet.day - EPOCH).days)), QUARTERS)
    power = np.nan_to_num(table(fleet.usable, "pv_w"))
    day_kwh = power.sum(axis=1) * 24 / QUARTERS / 1000
    is_dark = elevation_deg(latitude[:, None], longitude[:, None], at) < DARK_DEG
    dark = np.where(is_dark, power, 0.0).sum(axis=1)
    is_wrong = (dark > DARK_SHARE * power.sum(axis=1)) & (day_kwh > MIN_KWH_PER_KWP * fleet.roofs.kwp)
    return {site_id: because(REASONS, "light-in-the-dark") for site_id in fleet.sites["site_id"].filter(is_wrong)}
