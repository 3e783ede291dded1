"""What a discharge took out of a battery, and by how much its state of charge fell."""

import polars as pl

from detectors.battery.flows import MIN_W, NEXT_ROW


def discharge_steps(rows: pl.DataFrame, by: list[str], hours: pl.Expr) -> pl.DataFrame:
    """[*by, soc_first_pct, discharge_drop_pct, discharge_drop_kwh] of each group: what discharge took, and the fall.

    Only rows amid a discharge count. A state of charge may belong to the start, the mean or the end of its interval;
    of the three falls that an interval may have caused that one is taken which goes along best with what was given.
    `rows` are in order of time, with ts_utc, interval_s, battery_w and soc_pct; a group without such rows has nulls.
    """
    power, soc = pl.col("battery_w"), pl.col("soc_pct")
    same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(n) for name in by for n in (1, -1))
    around_s = (pl.col("ts_utc").shift(-1) - pl.col("ts_utc").shift(1)).dt.total_milliseconds() / 1000
    is_whole = around_s <= 2 * NEXT_ROW * pl.col("interval_s")
    gives = power > MIN_W
    falls = {"mean": (soc.shift(1) - soc.shift(-1)) / 2, "start": soc - soc.shift(-1), "end": soc.shift(1) - soc}
    amid = pl.all_horizontal(
        same, is_whole, gives, gives.shift(1), gives.shift(-1), *(fall.is_not_null() for fall in falls.values())
    )
    with_steps = rows.with_columns(amid.fill_null(False).alias("is_step"), (power * hours / 1000).alias("kwh"), **falls)
    kwh = pl.col("kwh").filter("is_step")
    steps = with_steps.group_by(by).agg(
        soc.drop_nulls().first().alias("soc_first_pct"),
        pl.when(kwh.len() > 0).then(kwh.sum()).alias("discharge_drop_kwh"),
        (kwh**2).sum().alias("kwh_2"),
        *(pl.col(name).filter("is_step").sum().alias(name) for name in falls),
        *((pl.col(name).filter("is_step") ** 2).sum().alias(f"{name}_2") for name in falls),
        *((pl.col(name).filter("is_step") * kwh).sum().alias(f"{name}_kwh") for name in falls),
    )
    # The squares left over when each fall is the same multiple of the energy: sum (fall - k kwh)^2.
    k = {name: pl.col(name) / pl.col("discharge_drop_kwh") for name in falls}
    left = [pl.col(f"{n}_2") - 2 * k[n] * pl.col(f"{n}_kwh") + k[n] ** 2 * pl.col("kwh_2") for n in falls]
    best = pl.concat_list(*falls).list.get(pl.concat_list(left).list.arg_min())
    drop = pl.when(pl.col("discharge_drop_kwh").is_not_null()).then(best).alias("discharge_drop_pct")
    return steps.select(*by, "soc_first_pct", drop, "discharge_drop_kwh")
