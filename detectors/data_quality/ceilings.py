"""Whether generation that stands at the top of its day can be clipped there.

A ceiling is never passed but for moments. What a roof passed on other days is none, unless it was set since: then it is
seen again on other days, or it is one of the shares of the rating to which operators and feed-in rules turn roofs down.
"""

import polars as pl

FLAT_TOP_SHARE = 0.99  # ours: clipped power varies within the meter's error
PASSED = 1.05  # ours: cloud edges and meters' errors pass a ceiling by less, in 99 of 100 readings
PASSED_DAYS = 3  # ours: what the data say on three days is no accident of a day
FAR_TIMES = 10.0  # ours: peaks so far beyond the rating are of a wrong unit, and tell nothing
REPEATED_DAYS = 2  # ours: to 1 % the same on two other days is no chance
METER_SHARE = 0.02  # ours: what an inverter's own reading of its power errs by; class 1 meters err by half of it
SHARES = (0.3, 0.5, 0.6, 0.7, 1.0)  # of the capacity or the rating: operators' steps and rules of feed-in (from memory)
OWN = ["site_id", "device_id", "channel"]


def with_passed(runs: pl.DataFrame, past: pl.DataFrame, peaks: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """`runs` with is_passed: their value is no ceiling, since the site passed it on earlier days.

    `runs`, `past`: rows of the feature `repeats` of a day and of earlier ones; `peaks`: earlier rows of `flow_peaks`.
    """
    register = sites.select("site_id", kwp_w=1000 * pl.col("installed_kwp"), rated_w=1000 * pl.col("inverter_kw"))
    of_pv = runs.filter((pl.col("channel") == "pv_w") & (pl.col("device_id") == ""))
    of_pv = of_pv.join(register, on="site_id").select(*OWN, "value", "kwp_w", "rated_w")
    highest = pl.col("pv_peak_w")
    is_beyond = (highest > PASSED * pl.col("value")) & (highest <= FAR_TIMES * pl.col("kwp_w"))
    passed = of_pv.join(peaks, on="site_id").filter(is_beyond).group_by(OWN).agg(passed=pl.len())
    again = _alike(pl.col("earlier"), pl.col("value"))
    seen = (
        of_pv.join(past.select(*OWN, earlier="value"), on=OWN).filter(again).group_by(OWN).agg(repeated=pl.len())
    )  # fmt: skip
    is_share = [
        _alike(share * pl.col(name), pl.col("value"), METER_SHARE) for share in SHARES for name in ("kwp_w", "rated_w")
    ]
    exceeded = (
        of_pv.join(passed, on=OWN, how="left")
        .join(seen, on=OWN, how="left")
        .with_columns(pl.col("passed", "repeated").fill_null(0), is_share=pl.any_horizontal(is_share).fill_null(False))
        .select(
            *OWN,
            is_passed=(pl.col("passed") >= PASSED_DAYS) & (pl.col("repeated") < REPEATED_DAYS) & ~pl.col("is_share"),
        )
    )
    return runs.join(exceeded, on=OWN, how="left").with_columns(pl.col("is_passed").fill_null(False))


def _alike(one: pl.Expr, other: pl.Expr, within: float = 1 - FLAT_TOP_SHARE) -> pl.Expr:
    return (one - other).abs() <= within * other.abs()
