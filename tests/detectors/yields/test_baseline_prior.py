"""How much planes that nobody knows leave open: little under a high sun, much in a northern winter."""

from datetime import date

import numpy as np

from detectors.features import load
from detectors.yields import baseline_prior, fleet_day
from detectors.yields.free_intervals import INTERVALS
from tests.support import build


def _sigmas(day, energy=None, neighbours=5.0):
    """Of one place: planes not known, known, and not known under a limit that leaves so much `energy` to judge by."""
    planes = {"tilt_deg": None, "azimuth_deg": None}
    sites = build.sites(
        {"site_id": "a", "latitude": 52.0, "feed_in_limit_kw": None, **planes},
        {"site_id": "b", "latitude": 52.0, "feed_in_limit_kw": None, "tilt_deg": 30.0, "azimuth_deg": 180.0},
        {"site_id": "c", "latitude": 52.0, "feed_in_limit_kw": 0.0, **planes},
    )
    models = load()["roof_model"].schema.to_frame()
    if energy is not None:
        rows = [{"site_id": one, "day": day, "energy": energy, "neighbours": neighbours} for one in "abc"]
        models = build.frame(models.schema, rows)
    fleet = fleet_day.gather(INTERVALS.to_frame(), sites, build.planes(), models, day)
    assert fleet.sites["site_id"].to_list() == ["a", "b", "c"]
    return baseline_prior.sigma(fleet)


def test_unknown_planes_leave_more_open_in_winter_and_known_ones_do_not():
    summer, winter = _sigmas(date(2026, 6, 21)), _sigmas(date(2026, 1, 10))
    assert summer[1] == winter[1]
    assert summer[1] < summer[0] < 0.12
    assert winter[0] > 1.5 * summer[0]
    assert (winter[2] > winter[0]) & np.isfinite(winter).all()


def test_what_a_limit_leaves_open_goes_with_the_energy_that_it_leaves_to_judge_by():
    """Half a kWh per kWp tells a level nearly as well as no limit; a twentieth tells it to a fourth."""
    little, some, much = (_sigmas(date(2026, 6, 21), energy)[2] for energy in (0.05, 0.5, 3.0))
    without = _sigmas(date(2026, 6, 21), 3.0)[0]
    assert 0.2 < little < 0.3
    assert _sigmas(date(2026, 6, 21), 0.05, neighbours=0.5)[2] > 0.35  # nobody tells the few hours' sky
    assert some < 0.15
    assert without < much < 1.25 * without
