"""What one day shows of a battery's levels: where it waits and resumes, the import kept up, where charging ends.

A level shows only where the battery acted: out of discharge, out of charge, or asked for and not giving. A battery that
lies still all day shows none, so its resting level is never taken for one that was set.
"""

import polars as pl

from detectors.battery.flows import flows

BY = ["site_id", "day"]
DRAW_W = 200.0  # ours: below it inverters need not start a discharge; on top of the import kept up on purpose
DRAW_SHARE = 0.01  # class 1 metering (IEC 62053-21): a large inverter regulates on a coarse reading
MIN_ASKED_H = 0.25  # ours: shorter refusals are the control's delay
MIN_STEADY_H = 1.0  # ours: of steady discharge; less is a switched load
TOP_SHARE = 0.9  # ours: near its highest power the battery, and not the control, sets what is imported
MIN_CEILING_H = 0.5  # ours: generation that meets the load by chance does not last for half an hour
LEVEL_DAYS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "waited_pct": pl.Float64,  # highest state of charge at which it waited, after a charge, while imported
        "began_pct": pl.Float64,  # lowest one at which discharge began again after such a wait
        "held_w": pl.Float64,  # median grid power amid discharge below its highest power
        "held_h": pl.Float64,
        "ceiling_pct": pl.Float64,  # at which it took no more although there was surplus
        "ceiling_h": pl.Float64,
        "full_h": pl.Float64,  # in which it took no more although there was surplus, its level read or not
        "given_kwh": pl.Float64,  # after the last of these hours, up to midnight
        "stop_kwh": pl.Float64,  # imported at rest after that; 0 = it gave until midnight, or was not asked
    }
)


def level_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """LEVEL_DAYS, one row per site with a battery and local day."""
    rows = _acts(flows(readings, sites))
    power, hours = pl.col("battery_w"), pl.col("hours")
    is_held = _amid("gives") & (power < TOP_SHARE * power.max().over("unit")) & pl.col("grid_w").is_not_null()
    rows = rows.with_columns(is_held=is_held.fill_null(False))
    sums = rows.group_by("unit").agg(
        pl.col(BY).first(),
        held_w=pl.col("grid_w").filter("is_held").median(),
        held_h=hours.filter("is_held").sum(),
        ceiling_pct=pl.col("soc_pct").filter("is_at_top").median(),
        ceiling_h=hours.filter(pl.col("is_at_top") & pl.col("soc_pct").is_not_null()).sum(),
    )
    sums = sums.join(_since_full(rows), on="unit", how="left")
    by_day = sums.join(_resumed(rows), on="unit", how="left").with_columns(
        held_w=pl.when(pl.col("held_h") >= MIN_STEADY_H).then("held_w"),
        ceiling_pct=pl.when(pl.col("ceiling_h") >= MIN_CEILING_H).then("ceiling_pct"),
    )
    return by_day.select(LEVEL_DAYS.names()).cast(LEVEL_DAYS).sort(BY)


def draw_w() -> pl.Expr:
    """The import from which a house asks its battery for more, of the rows of `flows`, W."""
    min_w = pl.max_horizontal(pl.lit(DRAW_W), DRAW_SHARE * pl.col("rating_w"))
    return min_w + pl.col("feed_in_buffer_w").fill_null(0)


def _amid(name: str) -> pl.Expr:
    """Whether the rows before and after, without a gap, are so too."""
    return (
        pl.col(name) & pl.col(name).shift(1) & pl.col(name).shift(-1) & pl.col("is_next") & pl.col("is_next").shift(-1)
    )


def _acts(rows: pl.DataFrame) -> pl.DataFrame:
    """`rows` with what the battery did: gives, was asked and rested, rested after a charge with surplus there."""
    power, grid, idle = pl.col("battery_w"), pl.col("grid_w"), pl.col("idle_w")
    sign = pl.when(power.abs() > idle).then(power.sign()).forward_fill().over("unit")
    has_charged = (sign < 0).fill_null(False)
    rests = (power.abs() <= idle).fill_null(False)
    buffer = pl.col("feed_in_buffer_w").fill_null(0)
    # At a site that may not feed in the rest is curtailed: then nothing is imported beyond what is kept up.
    has_surplus = (pl.col("pv_w") > idle) & (grid <= idle + buffer)
    return rows.with_columns(
        gives=(power > idle).fill_null(False),
        charges=(power < -idle).fill_null(False),
        is_asked=(rests & has_charged & (grid >= draw_w())).fill_null(False),
        is_at_top=(rests & has_charged & has_surplus).fill_null(False),
    )


def _since_full(rows: pl.DataFrame) -> pl.DataFrame:
    """[unit, full_h, given_kwh, stop_kwh]: what it gave since it was last full, and whether it then stopped."""

    def is_after_last(name: str) -> pl.Expr:
        seen = pl.col(name).cum_sum().over("unit")
        return (seen == pl.col(name).sum().over("unit")) & (seen > 0) & ~pl.col(name)

    rows = rows.with_columns(after_full=is_after_last("is_at_top"))
    rows = rows.with_columns(gave=pl.col("gives") & pl.col("after_full"))
    rows = rows.with_columns(after_giving=is_after_last("gave"))
    rests = (pl.col("battery_w").abs() <= pl.col("idle_w")) & (pl.col("grid_w") >= draw_w())
    is_stop = (pl.col("after_giving") & rests).fill_null(False)
    kwh = pl.col("hours") / 1000
    return rows.group_by("unit").agg(
        full_h=pl.col("hours").filter("is_at_top").sum(),
        given_kwh=(pl.col("battery_w") * kwh).filter("gave").sum(),
        stop_kwh=(pl.col("grid_w") * kwh).filter(is_stop).sum(),
    )


def _resumed(rows: pl.DataFrame) -> pl.DataFrame:
    """[unit, waited_pct, began_pct] of days on which it waited, after a charge, while the house imported."""
    asked = pl.col("soc_pct").filter("is_asked")
    turns = (
        rows.with_columns(turn=pl.col("gives").cum_sum().over("unit"))
        .group_by("unit", "turn", maintain_order=True)
        .agg(
            gave_pct=pl.col("soc_pct").filter("gives").first(),
            waited_pct=asked.max(),
            asked_h=pl.col("hours").filter("is_asked").sum(),
        )
        .with_columns(waited_pct=pl.when(pl.col("asked_h") >= MIN_ASKED_H).then("waited_pct"))
        .sort("unit", "turn")
        .with_columns(waited_before=pl.col("waited_pct").shift(1).over("unit").is_not_null())
    )
    return turns.group_by("unit").agg(
        waited_pct=pl.col("waited_pct").max(), began_pct=pl.col("gave_pct").filter("waited_before").min()
    )
