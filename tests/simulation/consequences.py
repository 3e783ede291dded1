"""What a fault does by the day: its value in the finding's unit, the energy that it costs, whether it shows at all."""

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from tests.simulation.faults import FORMS, NAN, NOW_AND_THEN, Fault
from tests.simulation.live import Truth
from tests.simulation.site import Site

Array = NDArray[np.float64]

LOSING = {
    "underperformance",
    "no-generation",
    "string-loss",
    "battery-at-floor",
    "battery-not-discharging",
    "voltage-curtailment",
}
VISIBLE_DAYS = 3
LIT_KWH = 0.1  # ours, per kWp: a gloomy winter day; a roof under snow makes less
DRIFTED_S = (
    1800.0  # ours: 90 s a day for three weeks, 20 s a day for three months; below it no light tells it from shade
)
# Faults that nobody can see while the grid meter stands still.
OF_GRID = {"unexpected-export", "import-limit-exceeded", "meter-reversed"}


def hide(faults: list[Fault]) -> None:
    """Takes is_visible from the grid's faults at a site whose grid meter is frozen for as long as they last."""
    for frozen in faults:
        if frozen.kind != "readings-frozen" or frozen.shape == NOW_AND_THEN or frozen.detail["channel"] != "grid_w":
            continue
        for fault in faults:
            is_covered = frozen.first_day <= fault.first_day and fault.last_day <= frozen.last_day
            if is_covered and fault.kind in OF_GRID:
                fault.is_visible = False


def weigh(fault: Fault, site: Site, truth: Truth) -> None:
    """Fills in value_of_day, loss_kwh, is_visible and shows_from."""
    healthy = truth.healthy
    assert healthy is not None
    axis = truth.axis
    day = axis.local_day(site.zone)
    on = fault.strength(axis.mid_s) > 0
    hours = axis.step_s / 3600

    def daily(power_w: Array) -> Array:
        inside = (day >= 0) & (day < axis.days)
        return np.bincount(day[inside], weights=power_w[inside], minlength=axis.days) * hours / 1000

    made = daily(np.where(on, healthy.pv_w - truth.pv_w, 0.0))
    given = daily(np.where(on, np.clip(healthy.battery_w, 0, None) - np.clip(truth.battery_w, 0, None), 0.0))
    limit = np.where(np.isinf(healthy.limit_w), 1e9, healthy.limit_w)
    values: Array | None = None
    shows: NDArray[np.bool_]
    match fault.kind:
        case "unexpected-export":
            values = daily(np.where(on, np.clip(-truth.grid_w - limit, 0, None), 0.0))
            shows = values > 0.3
        case "no-generation":
            values = daily(np.where(on, healthy.pv_w, 0.0))
            shows = values > 0.3 * site.roof.kwp
        case "underperformance" | "string-loss":
            shows = made > np.maximum(0.03 * daily(healthy.pv_w), 0.04 * site.roof.kwp)
        case "voltage-curtailment":
            values = made
            shows = made > np.maximum(0.1 * daily(healthy.pv_w), 0.1 * site.roof.kwp)
        case "battery-grid-charging":
            beyond = np.clip(-truth.battery_w - truth.pv_w, 0, None)  # only the grid can have given it
            values = daily(np.where(on, np.minimum(beyond, np.clip(truth.grid_w, 0, None)), 0.0))
            shows = values > 0.5
        case "battery-below-reserve":
            reserve = site.battery.reserve_pct if site.battery else 0.0
            lowest = np.array([truth.level_pct[(day == n)].min() for n in range(axis.days)])
            values = lowest
            shows = (lowest < reserve - 3) & (daily(on * 1000.0) > 1)
        case "battery-at-floor":
            shows = daily(np.where(on, np.clip(-healthy.battery_w, 0, None), 0.0)) > 0.8
        case "battery-not-discharging":
            shows = given > 0.4
        case "battery-reading-frozen":
            shows = daily(np.abs(truth.battery_w) * on) > 0.5
        case "import-limit-exceeded":
            assert site.import_limit_kw is not None
            over = np.where(on, truth.grid_w - site.import_limit_kw * 1000, 0.0)
            values = np.array([max(over[day == n].max(), 0.0) for n in range(axis.days)])
            shows = values > 0.05 * site.import_limit_kw * 1000
        case "phase-imbalance":
            by_phase = truth.phase_load_w - (truth.pv_w + truth.battery_w) / 3
            crossed = np.minimum(np.clip(by_phase, 0, None).sum(axis=0), np.clip(-by_phase, 0, None).sum(axis=0))
            shows = daily(np.where(on, crossed, 0.0)) > 0.3
        case "meter-reversed":
            shows = daily(np.where(on, np.clip(truth.grid_w, 0, None), 0.0)) > 0.3
        case "unexplained":
            shows = (
                daily(np.clip(np.clip(healthy.battery_w, 0, None) - np.clip(truth.battery_w, 0, None), 0, None) * on)
                > 0.4
            )
        case "clock-drift":
            past_s = np.where(on, (axis.mid_s - fault.begin_s) / 86_400 * abs(fault.size), 0.0)
            shows = daily((past_s >= DRIFTED_S) * 1000.0) > 0.2
        case "daylight-saving-wrong":
            number = np.arange(axis.days)
            begin, end = ((one - axis.first).days for one in (fault.first_day, fault.last_day))
            shows = (daily(on * 1000.0) > 0.2) & (number >= begin) & (number <= end)
        case "balance-broken" if fault.detail.get("way") == "pv doubled":
            shows = daily(np.where(on, truth.pv_w, 0.0)) > 1.0
        case _:
            shows = daily(on * 1000.0) > 0.2
    if FORMS[fault.kind].family == "clock":
        shows &= daily(truth.pv_w) > LIT_KWH * site.roof.kwp  # clocks are read from the light, and snow shows none
    if values is not None:
        fault.value_of_day = {axis.first + timedelta(days=n): float(v) for n, v in enumerate(values) if shows[n]}
    fault.shows_from = axis.first + timedelta(days=int(np.argmax(shows))) if shows.any() else None
    fault.is_visible = bool(shows.sum() >= (2 if fault.kind == "site-silent" else VISIBLE_DAYS))
    if fault.kind in LOSING:
        loss = given if fault.kind.startswith("battery") else made
        fault.loss_kwh = float(np.clip(loss, 0, None).sum())
    else:
        fault.loss_kwh = NAN
