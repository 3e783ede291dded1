"""What stands behind each false, wrong or missed case, so that one can look."""

import json
from collections import Counter

import polars as pl

from tests.benches.living import Lived
from tests.benches.scoring import SAME, Score
from tests.simulation.fleet import Fleet
from tests.simulation.site import Site

SHAPES = {"ramp_days": ("ramp",), "share_of_days": ("intermittent",)}  # details that only these shapes have
MOST_CHARACTERS = 260  # of a list in the evidence


def explain(fleet: Fleet, lived: Lived, score: Score) -> str:
    """Missed and wrongly named faults, then false exceptions, each with the site and the evidence."""
    sites = {site.site_id: site for site in fleet.sites}
    out = ["\nMISSED OR WRONGLY NAMED"]
    for row, fault in zip(score.faults, fleet.faults, strict=True):
        if row.found or not row.is_visible:
            continue
        detail = {k: v for k, v in fault.detail.items() if k not in SHAPES or fault.shape in SHAPES[k]}
        out.append(
            f"\n{fault.site_id} {fault.kind} ({fault.shape}) {fault.first_day} to {fault.last_day}, "
            f"size {fault.size:.1f}, loss {fault.loss_kwh:.0f} kWh, {detail}; said instead: {row.wrong or 'nothing'}"
        )
        out.append(f"  {describe(sites[fault.site_id], fleet)}")
        out += _others(lived, fault.site_id) + _not_judged(lived, fault.site_id, fault.kind)
    out.append("\nFALSE")
    for false in score.false:
        out.append(
            f"\n{false.exception_id} [{false.severity}] at {false.role} ({false.place}), opened {false.opened_on}"
        )
        out.append(f"  {describe(sites[false.site_id], fleet)}")
        out += [
            f"  its fault: {f.kind} ({f.shape}) {f.first_day} to {f.last_day}" for f in fleet.faults_of(false.site_id)
        ]
        out += _evidence(lived, false.exception_id)
    return "\n".join(out)


def describe(site: Site, fleet: Fleet) -> str:
    """The site in a line."""
    roof, battery = site.roof, site.battery
    place = fleet.places[site.region]
    planes = " + ".join(f"{p.kwp:.1f} kWp {p.tilt_deg:.0f}/{p.azimuth_deg:.0f}" for p in roof.planes)
    store = (
        f"{battery.kwh:g} kWh, reserve {battery.reserve_pct:g}, resume {battery.resume_pct:g}"
        if battery
        else "no battery"
    )
    beside = "alone" if site.is_alone else "neighbours"
    return (
        f"{place.climate.name} {place.latitude:.1f} N, {beside}; {planes}; "
        f"inverter {roof.inverter_kw:g} kW; {site.limit_class}; {store}; {site.house.kind} {site.house.base_w:.0f} W; "
        f"{fleet.forms[site.profile].name} {site.logger.minutes} min, {site.logger.power_step_w:g} W; "
        f"register {site.told}"
    )


def _others(lived: Lived, site_id: str) -> list[str]:
    rows = (
        lived.exceptions.filter(pl.col("site_id") == site_id)
        .sort("night")
        .unique("exception_id", keep="last", maintain_order=True)
    )
    return [
        f"  open: {r['exception_id']} {r['severity']} from {r['opened_on']}: {r['summary']}"
        for r in rows.iter_rows(named=True)
    ]


def _not_judged(lived: Lived, site_id: str, kind: str) -> list[str]:
    owner = next((detector for name, detector in lived.kinds.items() if SAME.get(name, name) == kind), "")
    rows = lived.not_judged.filter((pl.col("site_id") == site_id) & (pl.col("detector") == owner))
    return [f"  not judged by {owner} on {n} days: {reason}" for reason, n in Counter(rows["reason"]).most_common(3)]


def _evidence(lived: Lived, exception_id: str) -> list[str]:
    row = lived.exceptions.filter(pl.col("exception_id") == exception_id).sort("night").row(-1, named=True)
    held = json.loads(row["evidence"] or "{}")
    shown = "; ".join(f"{key} {str(value)[:MOST_CHARACTERS]}" for key, value in held.items())
    return [
        f"  {row['summary']} Value {row['value']} {row['unit']}, threshold {row['threshold']}, "
        f"first day {row['first_day']}, loss {row['loss_kwh']:.1f} kWh",
        f"  {shown}",
    ]
