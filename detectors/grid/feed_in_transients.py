"""The short feed-in of a site that may not feed in, kept by day, and the buffer that would have prevented it.

A regulator follows a falling load after some seconds; until then generation goes out. A larger buffer (the import
that the inverter keeps up) takes these transients up, at the price of a little more import whenever generation is
curtailed. How much helps is read off what was fed in: raising the buffer by d W moves every mean by d W towards import,
so of a mean of x W beyond the limit, x - d W are left. A mean is all that is seen: a meter that counts every second
wants more than the advice says, so it is given with the length of the means.
"""

from typing import Any

import numpy as np
import polars as pl

from detectors.finding import EvidenceValue
from detectors.grid.meter import GRID_W, RATING_W, meter_resolution
from detectors.stats.rows import with_sites, with_units
from detectors.stats.units import in_units

RATING_SHARE = 0.01  # class 1 metering (IEC 62053-21) errs by 1 %; a limiter regulates on such a reading
TRANSIENT_MINUTES = 10.0  # ours: a regulator needs seconds; two 5-min means in a row are no regulating any more
TRANSIENT_H = 2 / 60  # ours: no regulator lets the whole rating through for more than 2 min in one go
IDLE_SHARE = 0.005  # ours: below 0.5 % of the rating nothing is generated or discharged
MIN_TRANSIENT_W = 10.0  # ours: half of the smallest customary buffer; below it lies the meter's scatter
LEFT_SHARE = 0.05  # ours: a buffer is enough once 95 % of what was fed in would have stayed in
MIN_BUFFER_W, MAX_BUFFER_W = 20.0, 500.0  # common practice
BUFFER_STEP_W = 10.0  # ours: as it is set
MIN_DAYS = 5  # ours: a working week's habits
MIN_TRANSIENTS = 5  # ours: fewer are chance
LONGEST_INTERVAL_S = 900  # ours: in coarser means a transient of seconds is gone
MAX_TRANSIENTS = 96  # of a day, the largest
BY = ["site_id", "day"]
TRANSIENTS = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "limit_w": pl.Float64(),  # that the row was made with, like buffer_w
        "buffer_w": pl.Float64(),
        "interval_s": pl.Int32(),
        "seen_h": pl.Float64(),
        "regulating_h": pl.Float64(),  # grid at the limit less the buffer, with generation
        "transients_count": pl.Int64(),  # runs beyond the limit too short to be raised
        "transients_kwh": pl.Float64(),
        "run_min": pl.List(pl.Float64()),  # how long each of them was
        "transient_w": pl.List(pl.Float64()),  # means beyond the limit in them
        "transient_min": pl.List(pl.Float64()),  # how long each mean is
    }
)
ADVICE = pl.Schema(
    {
        "site_id": pl.String(),
        "days_count": pl.Int64(),
        "transients_count": pl.Int64(),
        "transients_per_day": pl.Float64(),
        "median_transient_min": pl.Float64(),
        "longest_transient_min": pl.Float64(),
        "transients_kwh": pl.Float64(),
        "buffer_w": pl.Float64(),
        "advised_buffer_w": pl.Float64(),  # null: too little seen, or the buffer of today is enough
        "prevented_pct": pl.Float64(),  # of the energy of transients, with the advised buffer
        "more_import_kwh_per_day": pl.Float64(),
    }
)


def flows(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """The readings of limited sites, in order, with what was fed in, what was too much, and what was impossible."""
    known = sites.filter(pl.col("feed_in_limit_kw") >= 0).select(
        "site_id",
        "battery_kwh",
        "longitude",
        limit_w=pl.col("feed_in_limit_kw") * 1000,
        rating_w=RATING_W,
        buffer_w=pl.col("feed_in_buffer_w").fill_null(0.0),
    )
    rows = with_sites(in_units(readings), known).with_columns(GRID_W.alias("grid_w"))
    idle_w = IDLE_SHARE * pl.col("rating_w")
    return (
        with_units(rows, meter_resolution(rows, ["unit"]))
        .with_columns(
            hours=pl.col("interval_s") / 3600,
            fed_in_w=(-pl.col("grid_w")).clip(lower_bound=0.0),
            tolerance_w=pl.max_horizontal("buffer_w", "step_w", RATING_SHARE * pl.col("rating_w")),
        )
        .with_columns(beyond_w=(pl.col("fed_in_w") - pl.col("limit_w")).clip(lower_bound=0.0))
        .with_columns(
            is_impossible=(
                (pl.col("fed_in_w") > pl.col("tolerance_w"))
                & (pl.col("pv_w") <= idle_w)
                # A battery that is there but not read may be what feeds in.
                & (pl.col("battery_w").fill_null(pl.when(pl.col("battery_kwh").is_null()).then(0.0)) <= idle_w)
            ).fill_null(False)
        )
        .with_columns(
            is_beyond=((pl.col("beyond_w") > pl.col("tolerance_w")) & ~pl.col("is_impossible")).fill_null(False)
        )
    )


def runs(rows: pl.DataFrame, beyond: str, transient_minutes: float) -> pl.DataFrame:
    """`rows` where `beyond` holds, with `run`, its length and energy, and whether it `lasts` beyond regulating."""
    gap = pl.col("ts_utc").diff().dt.total_seconds() > 1.5 * pl.col("interval_s")
    turn = pl.col(beyond) != pl.col(beyond).shift(1)
    marked = rows.with_columns(run=(turn | gap).fill_null(True).cum_sum().over("unit")).filter(beyond)
    over = ["unit", "run"]
    return marked.with_columns(
        run_intervals=pl.len().over(over),
        minutes=pl.col("interval_s").sum().over(over) / 60,
        kwh=(pl.col("beyond_w") * pl.col("hours")).sum().over(over) / 1000,
    ).with_columns(
        lasts=(pl.col("minutes") >= transient_minutes)
        & ((pl.col("run_intervals") > 1) | (pl.col("kwh") > pl.col("rating_w") * TRANSIENT_H / 1000))
    )


def transients_of_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """TRANSIENTS rows of every limited site and local day in `readings`."""
    rows = flows(readings, sites).filter(pl.col("grid_w").is_not_null())
    if rows.is_empty():
        return TRANSIENTS.to_frame()
    is_transient = (pl.col("beyond_w") > pl.max_horizontal(pl.lit(MIN_TRANSIENT_W), "step_w")) & ~pl.col(
        "is_impossible"
    )
    rows = rows.with_columns(is_transient=is_transient.fill_null(False))
    short = runs(rows, "is_transient", TRANSIENT_MINUTES).filter(~pl.col("lasts"))
    is_first = pl.col("ts_utc") == pl.col("ts_utc").min().over("unit", "run")
    transients = (
        short.with_columns(is_first=is_first)
        .sort("site_id", "day", "beyond_w", "ts_utc", descending=[False, False, True, False])
        .group_by(BY, maintain_order=True)
        .agg(
            transients_count=pl.col("is_first").sum().cast(pl.Int64),
            transients_kwh=(pl.col("beyond_w") * pl.col("hours")).sum() / 1000,
            run_min=pl.col("minutes").filter("is_first").head(MAX_TRANSIENTS),
            transient_w=pl.col("beyond_w").head(MAX_TRANSIENTS),
            transient_min=(pl.col("interval_s") / 60).head(MAX_TRANSIENTS),
        )
    )
    at_limit = (pl.col("grid_w") + pl.col("limit_w") - pl.col("buffer_w")).abs() <= pl.col("tolerance_w")
    makes = pl.col("pv_w") > IDLE_SHARE * pl.col("rating_w")
    empty = pl.lit([], dtype=pl.List(pl.Float64))
    return (
        rows.group_by("unit", maintain_order=True)
        .agg(
            pl.col(*BY, "limit_w", "buffer_w").first(),
            pl.col("interval_s").mode().min(),
            seen_h=pl.col("hours").sum(),
            regulating_h=pl.col("hours").filter(at_limit & makes).sum(),
        )
        .join(transients, on=BY, how="left")
        .with_columns(
            pl.col("transients_count", "transients_kwh").fill_null(0),
            *(pl.coalesce(name, empty).alias(name) for name in ("run_min", "transient_w", "transient_min")),
        )
        .select(TRANSIENTS.names())
        .cast(TRANSIENTS)
        .sort(BY)
    )


def buffer_advice(transients: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """ADVICE per site that may not feed in, from its days under the limit and buffer of today's register."""
    known = sites.filter(pl.col("feed_in_limit_kw") == 0).select("site_id", now_w=pl.col("feed_in_buffer_w"))
    own = transients.join(known, on="site_id", how="inner").filter(
        (pl.col("limit_w") == 0)
        & (pl.col("buffer_w") == pl.col("now_w").fill_null(0.0))
        & (pl.col("interval_s") <= LONGEST_INTERVAL_S)
    )
    lists = ("transient_w", "transient_min", "run_min")
    by_site = own.sort(BY).group_by("site_id", maintain_order=True).agg(
        pl.col("buffer_w", "now_w").first(),
        pl.col("transients_count", "transients_kwh", "regulating_h").sum(),
        *(pl.col(name).explode().drop_nulls() for name in lists),
        days_count=pl.len().cast(pl.Int64),
    )  # fmt: skip
    return pl.DataFrame([_advise(site) for site in by_site.iter_rows(named=True)], schema=ADVICE, orient="row")


def _advise(site: dict[str, Any]) -> dict[str, object]:
    """One site's row of ADVICE from its days together."""
    beyond_w, minutes, run_min = (
        np.array(site[name], dtype=float) for name in ("transient_w", "transient_min", "run_min")
    )
    buffer_w = float(site["buffer_w"])
    transients, count = int(site["transients_count"]), int(site["days_count"])
    advised_w = prevented_pct = None
    if count >= MIN_DAYS and transients >= MIN_TRANSIENTS:
        advised_w = buffer_w_for(beyond_w, minutes, buffer_w)
        prevented_pct = 100 * (1 - _left(beyond_w, minutes, advised_w - buffer_w))
        if advised_w <= buffer_w:
            advised_w = prevented_pct = None
    more_kwh = None if advised_w is None else (advised_w - buffer_w) * float(site["regulating_h"]) / count / 1000
    return {
        "site_id": site["site_id"],
        "days_count": count,
        "transients_count": transients,
        "transients_per_day": transients / count,
        "median_transient_min": float(np.median(run_min)) if len(run_min) else None,
        "longest_transient_min": float(run_min.max()) if len(run_min) else None,
        "transients_kwh": float(site["transients_kwh"]),
        "buffer_w": site["now_w"],
        "advised_buffer_w": advised_w,
        "prevented_pct": prevented_pct,
        "more_import_kwh_per_day": more_kwh,
    }


def buffer_w_for(beyond_w: np.ndarray, minutes: np.ndarray, buffer_w: float) -> float:
    """The smallest buffer, 20 to 500 W by 10 W, that leaves 5 % of the transients' energy or less; else 500 W."""
    for wanted in np.arange(MIN_BUFFER_W, MAX_BUFFER_W, BUFFER_STEP_W):
        if wanted >= buffer_w and _left(beyond_w, minutes, wanted - buffer_w) <= LEFT_SHARE:
            return float(wanted)
    return MAX_BUFFER_W


def _left(beyond_w: np.ndarray, minutes: np.ndarray, more_w: float) -> float:
    """The share of the transients' energy that would still be fed in with `more_w` of buffer on top."""
    return float((np.maximum(beyond_w - more_w, 0.0) * minutes).sum() / (beyond_w * minutes).sum())


def as_evidence(advice: dict) -> dict[str, EvidenceValue]:
    """The advice of one site in an exception's evidence, with a sentence."""
    per_day, longest = advice["transients_per_day"], advice["longest_transient_min"]
    if not advice["transients_count"]:
        text = f"no transients in {advice['days_count']} days"
    else:
        text = (
            f"{per_day:.1f} transients a day over {advice['days_count']} days, "
            f"{advice['transients_kwh']:.2f} kWh in all, "
            f"in means of {advice['median_transient_min']:.0f} min mostly, the longest {longest:.0f} min"
        )
    if advice["advised_buffer_w"] is not None:
        # Where today's buffer is not known, the transients show by how much more import they would have been kept in.
        wanted = (
            f"{advice['advised_buffer_w']:.0f} W more buffer than now"
            if advice["buffer_w"] is None
            else f"a buffer of {advice['advised_buffer_w']:.0f} W in place of {advice['buffer_w']:.0f} W"
        )
        text += (
            f"; {wanted} would have kept "
            f"{advice['prevented_pct']:.0f} % of their energy in, for {advice['more_import_kwh_per_day']:.2f} kWh more "
            "import a day"
        )
    return {
        "transients_text": text,
        "transients_days_count": advice["days_count"],
        "transients_per_day_count": advice["transients_per_day"],
        "median_transient_min": advice["median_transient_min"],
        "longest_transient_min": longest,
        "transients_kwh": advice["transients_kwh"],
        "buffer_w": advice["buffer_w"],
        "advised_buffer_w": advice["advised_buffer_w"],
        "prevented_pct": advice["prevented_pct"],
        "more_import_per_day_kwh": advice["more_import_kwh_per_day"],
    }
