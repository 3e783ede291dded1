"""Where generation stands curtailed, by a feed-in limit or by high voltage: one rule for all that ask.

A site that may not feed in keeps up a small import, a limited one stands at its limit. Where the register does not say
how much is kept up, the lowest import of the lit part of the day shows it. On a day without one the house may have
drawn less than is kept up, so that its roof was never asked for anything: then only an import that no regulator keeps
up tells of the roof. At any site the inverter may lower its active power, or disconnect, while the voltage at its
terminals is high.
"""

import polars as pl

from detectors.frames import VOLTAGE_CHANNELS

NEAR_W = 20.0  # common practice, no source: the regulator of a limited site keeps some 20 W away from its limit
NEAR_SHARE = 0.01  # class 1 metering (IEC 62053-21): a regulator follows a reading that errs by 1 % of its range
MIN_TARGET_W, MAX_TARGET_W = 20.0, 500.0  # common practice, no source: the import that regulators keep up
IMPORT_QUANTILE = 0.05  # ours: a regulated import is the lowest there is by day; where none is, this errs safely
LIT_SHARE = 0.03  # ours: of the peak capacity; below it the regulator has nothing to do
LIT_W = 150.0  # ours: what a regulator's noise lets a curtailed roof make stays below it
DIM_SHARE = 0.001  # ours: unless all day: a roof curtailed to an idle house's few watts makes no more than that
# From memory: EN 50549-1:2019 lets active power follow rising voltage, P(U), and leaves the start to the country, 1.09
# or 1.10 of nominal in most; AS/NZS 4777.2:2015 began at 250 V of 230 V (1.087). A mean of some minutes lies below.
VOLTAGE_LIMIT_RATIO = 1.085
# Ours: means of some minutes at which an inverter that starts at 1.09 may give way; lower ones dilute what is counted,
# as they do where it starts later.
RESPONSE_RATIO = 1.088
KNOWN_SIGMAS, KNOWN_DAYS = 0.5, 3  # ours: once so many days of a month were clear; chance adds as much as it hides
# ours: days of which none is clear show it together, as one month in a thousand does by chance. What all days of a
# month err by alike, the roof's level and its shade at noon, does not shrink with their number.
SUM_SIGMAS, ALIKE_SIGMA = 3.0, 0.05
# Fisher's z: half the log of two equal variances' ratio, of n values each, scatters by 1 / sqrt(n - 1); means of sizes
# scatter alike. Chance makes it so low one time in a hundred.
CHANCE_Z = 2.33
NO_PHASE_RATIO = 1.2  # ours: what lies further above nominal is no voltage of a phase to neutral


def ratio_by_chance(count: pl.Expr) -> pl.Expr:
    """How low the ratio of two equal scatters, of `count` changes each, lies by chance.

    A roof that nothing steers adds its own changes to its load's: what is left over of them is then 1 of the load's or
    more; of one that is steered, little.
    """
    return (-CHANCE_Z / (count - 1).clip(lower_bound=1).sqrt()).exp()


def target_w(by: list[str]) -> pl.Expr:
    """W: what the grid is kept at, of rows with pv_w, grid_w and the register's columns; null = no limit.

    `by`: the columns whose groups of rows are a site's day.
    """
    dim = pl.col("grid_w").filter(_share() > DIM_SHARE).quantile(IMPORT_QUANTILE)
    return _target_w(lowest_import_w().over(by), dim.over(by), pl.lit(MIN_TARGET_W))


def highest_target_w(by: list[str], before_w: pl.Expr) -> pl.Expr:
    """W: the most that the grid may be kept at: as `target_w`, but no more is known of a dim day than of those before.

    `before_w`: the lowest import of lit days before, null = not known. The little that a roof makes all day may be the
    regulator's noise, beside an import below what is kept up.
    """
    return _target_w(lowest_import_w().over(by), before_w, pl.lit(MAX_TARGET_W))


def _target_w(*imports_w: pl.Expr) -> pl.Expr:
    import_w = pl.coalesce("feed_in_buffer_w", pl.coalesce(*imports_w).clip(MIN_TARGET_W, MAX_TARGET_W))
    return pl.when(pl.col("feed_in_limit_kw") == 0).then(import_w).otherwise(-1000 * pl.col("feed_in_limit_kw"))


def lowest_import_w() -> pl.Expr:
    """W, one value of a site's day: its lowest import while its roof makes something; null where it never does."""
    return pl.col("grid_w").filter((_share() > LIT_SHARE) & (pl.col("pv_w") > LIT_W)).quantile(IMPORT_QUANTILE)


def _share() -> pl.Expr:
    return pl.col("pv_w") / (1000 * pl.col("installed_kwp"))


def is_at_limit(by: list[str]) -> pl.Expr:
    """Whether the grid stands at what is kept, while something is generated; null where grid or limit is not known."""
    return is_near_target(by) & (pl.col("pv_w") > 0)


def is_near_target(by: list[str]) -> pl.Expr:
    """Whether the grid stands at what is kept; null where grid or limit is not known."""
    rating_w = 1000 * pl.coalesce("inverter_kw", "installed_kwp")
    reach_w = pl.max_horizontal(pl.lit(NEAR_W), NEAR_SHARE * rating_w)
    return (pl.col("grid_w") - target_w(by)).abs() <= reach_w


def is_at_voltage_limit() -> pl.Expr:
    """Whether a phase's voltage is so high that active power may be lowered for it, of rows with nominal_voltage_v.

    Null where no voltage is read.
    """
    lowest, highest = (ratio * pl.col("nominal_voltage_v") for ratio in (VOLTAGE_LIMIT_RATIO, NO_PHASE_RATIO))
    return pl.max_horizontal(VOLTAGE_CHANNELS).is_between(lowest, highest)


def has_shown() -> pl.Expr:
    """Whether a site's month of `voltage_curtailment` shows that its inverter gives way to high voltage: one value.

    So do a few clear days; the sum of all, beside neighbours alone, who tell of dull days as well; and a power that
    moves against the voltage, if anything is missing in sum. Where nothing gives way they move together: in 436 months
    of simulated sites without a limit, below 1.083 of nominal, a third of the changes went against each other, and 1.1
    sigma above a half at the most; in 18 healthy months above RESPONSE_RATIO two fifths, and 0.3 sigma at the most. Of
    changes that go half and half CHANCE_Z lets one month in a hundred pass.
    """
    is_told = (pl.col("due_kwh") > 0) & pl.col("curtailed_kwh").is_not_null()
    is_known = is_told & pl.col("possible_kwh").is_not_null()
    due, sigma = pl.col("due_kwh").filter(is_known), pl.col("sigma_kwh").filter(is_known)
    missing_kwh = pl.col("due_kwh") - pl.col("made_kwh")
    alike = (sigma**2).sum() + (ALIKE_SIGMA * due.sum()) ** 2
    is_summed = (missing_kwh.filter(is_known).sum() > SUM_SIGMAS * alike.sqrt()) & (is_known.sum() >= KNOWN_DAYS)
    changes, against = pl.col("changes").sum(), pl.col("against_changes").sum()
    gives_way = against - changes / 2 > CHANCE_Z * changes.sqrt() / 2
    is_missing = (missing_kwh.filter(is_told).sum() > 0) & (is_told.sum() >= KNOWN_DAYS)
    return ((pl.col("curtailed_kwh") > 0).sum() >= KNOWN_DAYS) | is_summed | (gives_way & is_missing)


def as_known_now(days: pl.DataFrame) -> pl.DataFrame:
    """One site's month of `voltage_curtailment`, with the losses of all days by what the whole of it has shown."""
    if not days.select(has_shown()).item():
        return days
    missing = pl.col("due_kwh") - pl.col("made_kwh")
    is_lost = missing > KNOWN_SIGMAS * pl.col("sigma_kwh")
    return days.with_columns(curtailed_kwh=pl.when(is_lost).then(missing).otherwise("curtailed_kwh"))
