"""The order of exceptions, worst first, and the revisits that they ask for."""

from collections.abc import Mapping

import polars as pl

from detectors.finding import Kind
from pipeline.frames import REVISITS

SEVERITIES = ("urgent", "soon", "watch")  # worst first


def order(exceptions: pl.DataFrame) -> pl.DataFrame:
    """The same rows, worst first: severity, then what a day costs, then age; ties by exception_id.

    What a day costs is money where all rows have one currency, else energy: no rate of exchange is known here.
    """
    rank = pl.col("severity").replace_strict({s: i for i, s in enumerate(SEVERITIES)}, default=9, return_dtype=pl.Int8)
    days = pl.col("finding_days").clip(1)
    money, energy = pl.col("cost") / days, pl.col("loss_kwh") / days
    costs = (-money, -energy) if exceptions["currency"].drop_nulls().n_unique() <= 1 else (-energy,)
    return exceptions.sort(rank, *costs, "opened_on", "exception_id")


def needs_visit(kind: Kind, severity: str) -> bool:
    """Whether somebody is sent to the site: what is only to be watched sends nobody."""
    return kind.revisit and severity != "watch"


def revisits(exceptions: pl.DataFrame, sites: pl.DataFrame, kinds: Mapping[str, Kind]) -> pl.DataFrame:
    """REVISITS, worst first: open or acknowledged, not hidden behind a cause, and in need of hands at the site."""
    wanted = exceptions.filter(
        pl.col("status").is_in(["open", "acknowledged"]),
        pl.col("hidden_by").is_null(),
        pl.col("kind").is_in([name for name, kind in kinds.items() if kind.revisit]),
        pl.col("severity") != "watch",
    )
    installer = dict(sites.select("site_id", "installer_id").iter_rows())
    rows = [
        {
            **{key: row[key] for key in ("exception_id", "site_id", "kind", "measured", "expected")},
            "installer_id": installer.get(row["site_id"]),
            "since": row["first_day"],
            "diagnosis": f"{row['summary'].rstrip('. ')}. Likely cause: {kinds[row['kind']].cause}",
            "steps": numbered_steps(kinds[row["kind"]]),
        }
        for row in order(wanted).iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema=REVISITS, orient="row")


def numbered_steps(kind: Kind) -> str:
    """The steps of a revisit, one numbered line each, cautions first: they hold before the first cover comes off."""
    cautions = [f"CAUTION: {caution}" for caution in kind.cautions]
    return "\n".join(cautions + [f"{i}. {step}" for i, step in enumerate(kind.steps or (kind.next_step,), start=1)])
