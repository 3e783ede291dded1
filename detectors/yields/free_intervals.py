"""In which intervals nothing held a roof back, and how much power its house, battery and grid could have taken.

A site that may not feed the grid shows what its roof can only while somebody takes all of it: house and grid alone, as
the meter proves, or a battery with room left that charges below its own limit or has to give. The proof holds only
where the energies close: PV + battery + grid = load. Which of these intervals count is chosen later, by what the sky
lets expect. While the voltage is at its limit no site is free, and none is proven. Nor is a site that may feed in while
its meter shows that it does not, as where feed-in costs money at noon or a grid operator forbids it for hours.

Everything is summed up to quarter hours of UTC, so that sites of any resolution stand side by side.
"""

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.frames import STRING_CHANNELS
from detectors.stats.curtailment import highest_target_w, is_at_voltage_limit
from detectors.stats.resolution import resolutions
from detectors.stats.robust import Array
from detectors.stats.rows import ordered
from detectors.yields import held_at_nothing
from detectors.yields.quarter_hours import Quarters, to_lists

CLOSES_W, CLOSES_RATIO = 200.0, 0.12  # ours: what does not close further than this proves nothing
MIN_VALUES = 5  # ours: fewer distinct values do not show a meter's resolution
CLOSES_RESOLUTIONS = 3.0  # ours: three channels, one resolution each
MARGIN_W, MARGIN_PV_RATIO = 60.0, 0.03  # ours: the regulator's noise, and the sensors' errors of scale
MARGIN_LIMIT_RATIO = 0.02  # ours: a feed-in limit is held within 2 % of it
MARGIN_RESOLUTIONS = 2.5  # ours: a counter at 5 min has 120 W; below two and a half steps its imports are rounding
REAL_CHARGE_W = 150.0  # ours: below it a battery is topped up, not charged
FULL_PCT = 90.0  # ours: batteries taper their charging above it
MET_RATIO = 0.5  # ours: of what house and grid take; a roof that makes less beside a small demand is not held by it
ROOM_RATIO = 0.25  # ours: of the capacity given back since it was last full, where no level is reported
CHARGE_EFFICIENCY, DISCHARGE_EFFICIENCY = 0.93, 0.95  # ours: usual of home batteries, one way
IMPORT_QUANTILE = (
    0.25  # ours: of the lowest imports of lit days; on many of them the house takes all that the roof makes
)
CEILING_QUANTILE = 0.98  # ours: of charging with room; the highest of all may be a glitch
STEP_W, STEP_RESOLUTIONS = 150.0, 4.0  # ours: of the load between two intervals; smaller ones are noise
FOLLOWED = 0.2  # ours: of the load's step, that battery and grid may take of it
MIN_HELD, HELD_SHARE = 4, 0.5  # ours: steps that were followed; clouds make a step of the same size by chance
HELD_QUANTILE = 0.1  # ours: cold lets a battery take less in the morning than at noon

_INPUTS: dict[str, Any] = {f"input{n}_w": pl.List(pl.Int32()) for n in range(1, len(STRING_CHANNELS) + 1)}
INTERVALS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "interval_s": pl.Int32,  # the day's most frequent interval
        "peak_w": pl.Float64,  # 95 % quantile of the day's generation; the capacity where voltage was high
        "charge_limit_w": pl.Float64,  # 98 % quantile of the charging with room left; null = no such charging
        "charges": pl.Int32,  # intervals of it
        "held_charge_w": pl.Float64,  # charging at which generation followed the house; null = it never did
        "soc_first_pct": pl.Float64,  # the day's first state of charge
        # Lists of 96 are means over the quarter hours 00:00 to 23:45 UTC of the local day, null where not known.
        "pv_w": pl.List(pl.Int32()),
        "high_voltage_pct": pl.List(pl.Int32()),  # share in which voltage may lower the power; null = not measured
        "held_pct": pl.List(pl.Int32()),  # share in which a site without a limit kept its grid at nothing; null = none
        # The next are of sites with a limit, null at all others.
        "proven_w": pl.List(pl.Int32()),  # PV of the intervals whose energies close
        "proven_pct": pl.List(pl.Int32()),  # their share of the quarter hour
        "free_pct": pl.List(pl.Int32()),  # share that was free by the meter, or by a battery that gave
        "charging_pct": pl.List(pl.Int32()),  # share that was free if the battery charged below its limit
        "charge_w": pl.List(pl.Int32()),  # the hardest charging in these
        "usable_w": pl.List(pl.Int32()),  # the least that house and grid could have taken beyond the regulator's margin
        "room_pct": pl.List(pl.Int32()),  # share of the quarter hour in which the battery had room and took
        "full_pct": pl.List(pl.Int32()),  # share in which its takers took all that they could, the battery aside
        "load_w": pl.List(pl.Int32()),  # house, and what the limit lets out, taken together
        "battery_w": pl.List(pl.Int32()),
        "irradiance_w_m2": pl.List(pl.Int32()),
        "ambient_c": pl.List(pl.Int32()),
        **_INPUTS,
    }
)
LOWEST_IMPORT = pl.Schema({"site_id": pl.String, "day": pl.Date, "kept_w": pl.Float64})  # lowest import of a lit day
LISTS = [name for name, kind in INTERVALS.items() if isinstance(kind, pl.List)]


def to_quarters(
    readings: pl.DataFrame, sites: pl.DataFrame, imports_before: pl.DataFrame | None = None
) -> pl.DataFrame:
    """INTERVALS rows of whole local days of `readings`; days without any generation channel are left out.

    `imports_before`: LOWEST_IMPORT rows of lit days before these.
    """
    names = ("installed_kwp", "inverter_kw", "feed_in_limit_kw", "feed_in_buffer_w", "battery_kwh", "nominal_voltage_v")
    imports = LOWEST_IMPORT.to_frame() if imports_before is None else imports_before
    usual = imports.group_by("site_id").agg(import_before_w=pl.col("kept_w").quantile(IMPORT_QUANTILE))
    about = sites.select("site_id", *names).join(usual, on="site_id", how="left", maintain_order="left")
    known = readings.filter(pl.col("pv_w").is_not_null(), pl.col("interval_s") > 0)
    rows = (
        ordered(known, "site_id", "ts_utc")
        .join(about, on="site_id", how="inner", maintain_order="left")
        .with_columns(day=pl.col("ts_local").dt.date())
        .with_columns(row=pl.struct("site_id", "day").rle_id(), pv_w=pl.col("pv_w").clip(0))
    )
    if rows.is_empty():
        return INTERVALS.to_frame()
    days = rows.group_by("row", maintain_order=True).agg(
        pl.col("site_id", "day", "feed_in_limit_kw").first(),
        interval_s=pl.col("interval_s").mode().min(),
        # While the voltage may lower the power nobody sees what the inverter can: its modules are the only ceiling.
        peak_w=pl.when(is_at_voltage_limit().fill_null(False).any())
        .then(1000 * pl.col("installed_kwp").first())
        .otherwise(pl.col("pv_w").filter(pl.col("pv_w") > 0).quantile(0.95)),
        soc_first_pct=pl.col("soc_pct").drop_nulls().first(),
    )
    has_limit = days["feed_in_limit_kw"].is_not_null().to_numpy()
    columns = _of_all(rows, days.height)
    if has_limit.any():
        limited = _with_flags(rows.filter(pl.col("feed_in_limit_kw").is_not_null()))
        columns |= _of_limited(limited, has_limit)
        days = days.join(
            limited.group_by("row").agg(
                charge_limit_w=(-pl.col("battery_w")).filter("is_charging").quantile(CEILING_QUANTILE),
                charges=pl.col("is_charging").sum(),
            ),
            on="row",
            how="left",
            maintain_order="left",
        ).join(_held_charge(limited), on="row", how="left", maintain_order="left")
    lists = [columns[name].alias(name) for name in LISTS if name in columns]
    missing = [pl.lit(None, INTERVALS[name]).alias(name) for name in INTERVALS if name not in {*columns, *days.columns}]
    return days.with_columns(lists).with_columns(missing).select(INTERVALS.names()).cast(INTERVALS)


def _quarters(rows: pl.DataFrame, height: int) -> Quarters:
    return Quarters(
        _row(rows),
        rows["ts_utc"].dt.epoch("s").to_numpy(),
        rows["interval_s"].cast(pl.Int64).to_numpy(),
        height,
    )


def _values(rows: pl.DataFrame, name: str) -> Array:
    return np.asarray(rows[name].cast(pl.Float64).fill_null(float("nan")).to_numpy())


def _of_all(rows: pl.DataFrame, height: int) -> dict[str, pl.Series]:
    """The list columns that every site has, as far as they are measured."""
    quarters = _quarters(rows, height)
    measured = {"pv_w": "pv_w", "irradiance_w_m2": "irradiance_w_m2", "ambient_c": "ambient_temp_c"}
    measured |= {f"input{n}_w": name for n, name in enumerate(STRING_CHANNELS, start=1)}
    columns = {}
    for ours, name in measured.items():
        if rows[name].null_count() < rows.height:
            means = quarters.mean(_values(rows, name))
            columns[ours] = to_lists(means, np.asarray(np.isfinite(means).any(axis=1)))
    is_high = rows.select(is_at_voltage_limit()).to_series()
    if is_high.null_count() < len(is_high):
        high_pct = quarters.share_pct(is_high.fill_null(False).to_numpy())
        columns["high_voltage_pct"] = to_lists(high_pct, np.bincount(_row(rows), is_high.is_not_null(), height) > 0)
    is_held = held_at_nothing.is_held(rows).to_numpy()
    if is_held.any():
        columns["held_pct"] = to_lists(quarters.share_pct(is_held), np.bincount(_row(rows), is_held, height) > 0)
    return columns


def _row(rows: pl.DataFrame) -> NDArray[np.intp]:
    return rows["row"].to_numpy().astype(np.intp)


def _of_limited(rows: pl.DataFrame, has_limit: NDArray[np.bool_]) -> dict[str, pl.Series]:
    """The list columns of the sites with a limit; `rows` are theirs, with flags."""
    quarters = _quarters(rows, len(has_limit))
    closes, free, room, full = (rows[name].to_numpy() for name in ("closes", "is_free", "has_room", "is_full"))
    charging = rows["is_charging"].to_numpy() & ~free
    pv, battery, spare = (_values(rows, name) for name in ("pv_w", "battery_w", "spare_w"))
    made = {
        "proven_w": quarters.mean(pv, closes),
        "proven_pct": quarters.share_pct(closes),
        "free_pct": quarters.share_pct(free),
        "charging_pct": quarters.share_pct(charging),
        "charge_w": -quarters.lowest(battery, charging),
        "usable_w": quarters.lowest(spare, closes),
        "room_pct": quarters.share_pct(room),
        "full_pct": quarters.share_pct(full),
        "load_w": quarters.mean(_values(rows, "demand_w"), closes),
        "battery_w": quarters.mean(battery),
    }
    return {name: to_lists(values, has_limit) for name, values in made.items()}


def _with_flags(rows: pl.DataFrame) -> pl.DataFrame:
    """`rows` of limited sites with closes, is_free, is_charging, has_room, is_full, demand_w and spare_w."""
    rows = rows.join(_resolution(rows), on="row", how="left", maintain_order="left")
    rows = rows.with_columns(
        target_w=highest_target_w(["row"], pl.col("import_before_w")),
        resolution_w=pl.col("resolution_w").fill_null(1.0),
    )
    battery = pl.col("battery_w").fill_null(0.0)
    load = pl.col("pv_w") + battery + pl.col("grid_w")
    room = pl.max_horizontal(
        CLOSES_W, CLOSES_RATIO * pl.max_horizontal("pv_w", pl.col("load_w").fill_null(0))
    ) + CLOSES_RESOLUTIONS * pl.col("resolution_w")  # fmt: skip
    closes = ((load - pl.col("load_w")).abs() <= room).fill_null(True) & pl.col("grid_w").is_not_null()
    fixed = pl.max_horizontal(
        MARGIN_W, MARGIN_LIMIT_RATIO * 1000 * pl.col("feed_in_limit_kw"), MARGIN_RESOLUTIONS * pl.col("resolution_w")
    )
    margin = fixed + MARGIN_PV_RATIO * pl.col("pv_w")
    rows = rows.with_columns(
        demand_w=(load - pl.col("target_w")).fill_null(0.0),
        spare_w=(load - pl.col("target_w") - fixed).fill_null(0.0),
        closes=closes,
        is_free=(closes & (pl.col("grid_w") > pl.col("target_w") + margin)).fill_null(False),
        real_w=pl.max_horizontal(REAL_CHARGE_W, MARGIN_RESOLUTIONS * pl.col("resolution_w")),
    )  # fmt: skip
    rows = rows.with_columns(has_room=_room(rows))
    works = pl.col("closes") & pl.col("has_room")
    # A roof that makes just what the house takes, beside a battery with room that rests, is curtailed: the battery
    # takes no charge, be it cold, switched off or at fault, nor does it until it is next seen at work.
    rests = pl.col("battery_w").abs() <= pl.col("real_w")
    takes_none = (rests & (pl.col("pv_w") > pl.col("real_w")) & ~pl.col("is_free") & works).fill_null(False)
    is_at_work = works & (battery.abs() > pl.col("real_w"))
    seen = pl.when(is_at_work).then(True).when(takes_none).then(False)
    before, after = seen.forward_fill().over("row"), seen.backward_fill().over("row")
    refuses = ~before.fill_null(False) & ~after.fill_null(False) & (before.is_not_null() | after.is_not_null())
    has_room = pl.col("has_room") & ~refuses
    # With room left a battery that gives would take what the roof could make beyond.
    is_free = pl.col("is_free") | (works & (battery > pl.col("real_w")))
    is_met = pl.col("pv_w") >= MET_RATIO * pl.col("demand_w")
    return rows.with_columns(
        is_charging=works & (-battery > pl.col("real_w")),
        is_free=is_free,
        has_room=has_room,
        is_full=pl.col("closes") & ~is_free & ~has_room & is_met,
    )


def _held_charge(rows: pl.DataFrame) -> pl.DataFrame:
    """[row, held_charge_w] of the days on which a battery that charged took no more: generation followed the house.

    A roof that nothing holds back makes what the sky gives, and its battery or the grid takes up each step of the load.
    One that is held back behind a battery at its ceiling makes the step itself. So it does wherever the ceiling lies,
    and that of a cold battery lies far below what it takes in summer.
    """
    step = pl.col("demand_w").diff()
    least_w = pl.max_horizontal(STEP_W, STEP_RESOLUTIONS * pl.col("resolution_w"))
    is_next = (pl.col("row") == pl.col("row").shift(1)) & (
        pl.col("ts_utc").diff().dt.total_seconds() == pl.col("interval_s")
    )
    taken_up = pl.max_horizontal(pl.col("battery_w").diff().abs(), pl.col("grid_w").diff().abs())
    steps = rows.select(
        "row",
        is_step=is_next & pl.col("is_charging") & pl.col("is_charging").shift(1) & (step.abs() >= least_w),
        is_held=taken_up <= FOLLOWED * step.abs(),
        charge_w=-(pl.col("battery_w") + pl.col("battery_w").shift(1)) / 2,
    ).filter("is_step")
    held = steps.group_by("row").agg(
        held_charge_w=pl.col("charge_w").filter("is_held").quantile(HELD_QUANTILE), count=pl.col("is_held").sum()
    )
    beyond = steps.join(held, on="row").filter(pl.col("charge_w") >= pl.col("held_charge_w"))
    share = beyond.group_by("row").agg(share=pl.col("is_held").mean())
    told = held.join(share, on="row").filter(pl.col("count") >= MIN_HELD, pl.col("share") >= HELD_SHARE)
    return told.select("row", "held_charge_w").sort("row")


def _resolution(rows: pl.DataFrame) -> pl.DataFrame:
    """[row, resolution_w]: the coarser one of the grid's and the generation's channel."""
    found = pl.concat(resolutions(rows, ["row"], name, min_values=MIN_VALUES) for name in ("grid_w", "pv_w"))
    return found.group_by("row").agg(resolution_w=pl.col("resolution").max())


def _room(rows: pl.DataFrame) -> pl.Series:
    """Whether the battery could have taken more: by its level, else by what it gave back since it was last full."""
    by_level = rows["soc_pct"] < FULL_PCT
    has_battery = rows["battery_kwh"].is_not_null()
    has_level = rows.select(pl.col("soc_pct").is_not_null().any().over("row")).to_series()
    has_room = np.asarray((has_battery & by_level.fill_null(False)).to_numpy(), dtype=bool)
    for (_,), one in rows.with_row_index("at").filter(has_battery & ~has_level).group_by("row", maintain_order=True):
        hours = one["interval_s"].to_numpy() / 3600
        power = one["battery_w"].fill_null(0.0).to_numpy()
        capacity = float(one["battery_kwh"][0]) * 1000
        has_room[one["at"].to_numpy()] = _given_back(power, hours, capacity) > ROOM_RATIO * capacity
    return pl.Series(has_room)


def _given_back(battery_w: Array, hours: Array, capacity_wh: float) -> Array:
    """Wh that the battery gave since it was last full, from the start of the day on; [intervals]."""
    change = np.where(battery_w < 0, battery_w * CHARGE_EFFICIENCY, battery_w / DISCHARGE_EFFICIENCY) * hours
    given = np.zeros(len(change))
    level = 0.0
    for n, step in enumerate(change.tolist()):
        level = min(max(level + step, 0.0), capacity_wh)
        given[n] = level
    return given
