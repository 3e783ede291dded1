"""Each day of a battery as stuck at its reserve or idle, moved, dark or unknown, and what it could have given."""

import polars as pl

from detectors.battery.flows import RESERVE_BAND_PCT as BAND_PCT
from detectors.battery.given import BACK_SHARE, FULL_PCT, capacities
from detectors.stats.curtailment import ratio_by_chance

FOLLOWED_H = 2.0  # ours: generation and load cross each other twice a day, but do not keep together for hours
FOLLOWED_W = 300.0  # ours: generation that went along with so much more and less of load was steered by it
# ours: a roof that nothing steers changes by itself, so that what is left over changes by more than the load; a ninth
# of its variance over a dozen changes is chance on one day in some thousand (F distribution, 12 and 12 degrees)
STEERED_RATIO, STEERED_CHANGES = 1 / 3, 12
MIN_FOLLOWED_H = 1.0  # ours: with the sky telling of more, an hour of generation along the load is curtailment
POSSIBLE_ERROR = 0.15  # ours: what neighbours say of a roof's day errs by some 15 % at most
ACTIVE_SHARE = 0.05  # ours: of the capacity; a battery that moves less in a day does nothing
WORKED_SHARE = 0.20  # ours: of the capacity given on one day shows that it once worked
LOW_PCT = 50.0  # ours: in the upper half a floor that was left high holds it, which is another kind's to tell
WORTH_SHARE = 0.10  # ours: a tenth of the capacity would lift the charge five bands above the floor
WORTH_KWH = 0.5  # ours: on small batteries, less is the inverter's own standby and the step of the meter
CHARGED_SHARE = 0.20  # ours: with a fifth of the surplus charged it does charge, and its reading stands still
FED_IN_SHARE = 0.50  # ours: where charging is not read, half of the surplus seen going to the grid stands for it
MIN_COVERAGE_PCT = 50.0  # ours: with less than half of the day seen, it may have left the floor unseen


def tell(days: pl.DataFrame, of_days: list[pl.DataFrame], sites: pl.DataFrame) -> pl.DataFrame:
    """Each day as `stuck`, `dark` (at the floor, nothing to charge with), `moved` or `unknown`, in order.

    `is_by_power` marks the days that the battery's powers alone tell: no level was read, nobody knows its reserve, or
    it lies idle a little above it; `once_worked` the sites whose battery was seen to give.
    """
    known = sites.select("site_id", "battery_kwh", "battery_reserve_pct", "is_reserve_learned", "feed_in_limit_kw")
    own = days.join(known.join(capacities(days, sites), on="site_id"), on="site_id", how="inner")
    for feature in of_days:
        own = own.join(feature, on=["site_id", "day"], how="left")
    is_by_power = pl.col("soc_max_pct").is_null() | pl.col("battery_reserve_pct").is_null()
    worked = (pl.col("discharge_kwh") >= WORKED_SHARE * pl.col("battery_kwh")).any().over("site_id")
    own = own.sort("site_id", "day").with_columns(is_by_power=is_by_power, once_worked=worked.fill_null(False))
    own = _with_surplus(_with_idle(own))
    state = pl.when("is_by_power").then(_by_power()).otherwise(_by_level())
    return own.with_columns(state=state).with_columns(missed_kwh=_missed_kwh(pl.col("surplus_here_kwh")))


def _with_idle(own: pl.DataFrame) -> pl.DataFrame:
    """`own`, of which days in the lower half above the reserve on which nothing moved are judged by power."""
    moved_kwh = pl.col("charge_kwh") + pl.col("discharge_kwh")
    is_above = pl.col("soc_min_pct") > pl.col("battery_reserve_pct") + BAND_PCT
    is_idle = is_above & (pl.col("soc_max_pct") <= LOW_PCT) & (moved_kwh < ACTIVE_SHARE * pl.col("battery_kwh"))
    return own.with_columns(is_by_power=pl.col("is_by_power") | is_idle.fill_null(False))


def _with_surplus(own: pl.DataFrame) -> pl.DataFrame:
    """`own` with never_left, has_surplus, was_held, worth_kwh and surplus_here_kwh, curtailed or not.

    Where the reserve was learned or is not known, or no level is read, the day's whole surplus counts: a battery that
    never left its reserve was there all day.
    """
    worth = pl.max_horizontal(WORTH_SHARE * pl.col("battery_kwh"), pl.lit(WORTH_KWH))
    all_day = pl.col("is_reserve_learned") | pl.col("is_by_power")
    measured = pl.when(all_day).then("surplus_kwh").otherwise("surplus_at_floor_kwh")
    unused = ((1 - POSSIBLE_ERROR) * pl.col("possible_kwh") - pl.col("pv_kwh")).clip(lower_bound=0.0)
    # A roof under snow and an idle house meet by chance; on the days under snow that were told the ratio was 0.84 to
    # 1.07.
    by_chance = pl.col("apart_ratio") <= ratio_by_chance(pl.col("changes"))
    is_along = (pl.col("held_h") >= MIN_FOLLOWED_H) & by_chance.fill_null(True)
    curtailed = pl.when((pl.col("feed_in_limit_kw") == 0) & is_along).then(unused)
    is_steered = (pl.col("apart_ratio") <= STEERED_RATIO) & (pl.col("changes") >= STEERED_CHANGES)
    followed = (pl.col("held_h") >= FOLLOWED_H) & ((pl.col("followed_w") >= FOLLOWED_W) | is_steered)
    own = own.with_columns(
        worth_kwh=worth,
        curtailed_kwh=curtailed,
        was_held=(followed | (curtailed >= worth)).fill_null(False),
        surplus_here_kwh=measured + curtailed.fill_null(0.0),
    )
    return own.with_columns(
        never_left=pl.col("soc_max_pct") <= pl.col("battery_reserve_pct") + BAND_PCT,
        has_surplus=pl.col("surplus_here_kwh") >= pl.col("worth_kwh"),
    )


def _by_level() -> pl.Expr:
    """The state of a day on which the state of charge was read."""
    surplus, never_left = pl.col("surplus_here_kwh"), pl.col("never_left")
    usable_kwh = pl.col("battery_kwh") * (FULL_PCT - pl.col("battery_reserve_pct")) / 100
    not_charged = pl.coalesce(
        pl.col("charge_kwh") < CHARGED_SHARE * pl.min_horizontal(surplus, usable_kwh),
        pl.when(pl.col("feed_in_kwh") >= FED_IN_SHARE * surplus).then(True),
    )
    return (
        pl.when(never_left.is_null() | (never_left & (pl.col("coverage_pct") < MIN_COVERAGE_PCT)))
        .then(pl.lit("unknown"))
        .when(~never_left)
        .then(pl.lit("moved"))
        # What charged is not at its floor, whatever generation was held down to: the level's reading stands still.
        .when(pl.col("charge_kwh") >= CHARGED_SHARE * usable_kwh)
        .then(pl.lit("moved"))
        .when("was_held")
        .then(pl.lit("stuck"))
        .when(surplus.is_null() | (pl.col("has_surplus") & not_charged.is_null()))
        .then(pl.lit("unknown"))
        .when(~pl.col("has_surplus"))
        .then(pl.lit("dark"))
        .when(not_charged)
        .then(pl.lit("stuck"))
        .otherwise(pl.lit("moved"))
    )


def _by_power() -> pl.Expr:
    """The state of a day without a state of charge or a reserve: idle where it neither took surplus nor saved import.

    A battery that is full saves import, and one that is empty takes surplus: with both there, a healthy one moves.
    That there is one shows in what it gave once, or in a level; a level of 0 % is also what no battery at all reports.
    """
    moved_kwh = pl.col("charge_kwh") + pl.col("discharge_kwh")
    is_there = pl.col("once_worked") | (pl.col("soc_max_pct") > 0).fill_null(False)
    has_need = pl.col("import_kwh") >= pl.col("worth_kwh")
    seen = (moved_kwh + pl.col("surplus_here_kwh") + pl.col("import_kwh")).is_not_null()
    return (
        pl.when(~seen | ~is_there | (pl.col("coverage_pct") < MIN_COVERAGE_PCT))
        .then(pl.lit("unknown"))
        .when(moved_kwh >= ACTIVE_SHARE * pl.col("battery_kwh"))
        .then(pl.lit("moved"))
        .when(pl.col("soc_max_pct") > LOW_PCT)
        .then(pl.lit("unknown"))
        .when((pl.col("has_surplus") | pl.col("was_held")) & has_need)
        .then(pl.lit("stuck"))
        .otherwise(pl.lit("dark"))
    )


def _missed_kwh(surplus: pl.Expr) -> pl.Expr:
    """What the battery could have given on a day, kWh; null where its state is not known.

    Not more than the surplus leaves after storing, than fits between the reserve and full, or than the house bought.
    Where generation was held down to the load and nobody knows how much was curtailed, the other two count.
    """
    lowest_pct = pl.coalesce("battery_reserve_pct", "soc_min_pct", 0.0)
    room_kwh = pl.col("capacity_kwh") * (FULL_PCT - lowest_pct) / 100
    is_known = ~pl.col("was_held") | (pl.col("curtailed_kwh") >= pl.col("worth_kwh")).fill_null(False)
    stored = pl.when(is_known).then(surplus * BACK_SHARE)
    could = pl.min_horizontal(stored, room_kwh, "import_kwh")
    return pl.when(pl.col("state") == "stuck").then(could).when(pl.col("state").is_in(["dark", "moved"])).then(0.0)
