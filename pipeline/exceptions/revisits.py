"""The order of exceptions, worst first, and the revisits that they ask for."""

import json
from collections.abc import Mapping
from typing import Any

import polars as pl

from detectors.finding import Kind, begins_at, cause_of
from pipeline.frames import REVISITS

SEVERITIES = ("urgent", "soon", "watch")  # worst first


def order(exceptions: pl.DataFrame, rates: Mapping[str, float] | None = None) -> pl.DataFrame:
    """The same rows, worst first: severity, then what a day costs, then energy, then age; ties by exception_id.

    `rates`: currency -> what one unit of it is worth in a common one. Where a currency has none, money is compared
    within each currency alone, and the places that a currency takes are those of its energies per day.
    """
    rank = pl.col("severity").replace_strict({s: i for i, s in enumerate(SEVERITIES)}, default=9, return_dtype=pl.Int8)
    money, energy, at_stake = (
        pl.col(name).fill_null(0.0) for name in ("cost_per_day", "loss_per_day_kwh", "at_stake_kwh")
    )
    ties = (-at_stake, pl.col("opened_on"), pl.col("exception_id"))
    currency = pl.col("currency").fill_null("")
    held = set(exceptions.select(currency)["currency"])
    known = dict.fromkeys(held, 1.0) if len(held) <= 1 else {name: (rates or {}).get(name) for name in held}
    if None not in known.values():
        rate = currency.replace_strict(known, default=1.0, return_dtype=pl.Float64)
        return exceptions.sort(rank, -money * rate, -energy, *ties)
    by_energy = exceptions.sort(rank, -energy, -money, *ties).with_row_index("place")
    by_money = exceptions.sort(rank, -money, -energy, *ties)
    nth = pl.int_range(pl.len()).over(currency)
    places = by_energy.select("place", name=currency, nth=nth)
    placed = by_money.with_columns(name=currency, nth=nth).join(places, on=["name", "nth"])
    return placed.sort("place").select(exceptions.columns)


def needs_visit(kind: Kind, severity: str, evidence: Mapping[str, Any]) -> bool:
    """Whether somebody is sent to the site: what is only to be watched, or is put right at the desk, sends nobody."""
    return begins_at(kind, evidence) == "site" and severity != "watch"


def revisits(exceptions: pl.DataFrame, sites: pl.DataFrame, kinds: Mapping[str, Kind]) -> pl.DataFrame:
    """REVISITS, worst first: open or acknowledged, not hidden behind a cause, and in need of hands at the site."""
    wanted = exceptions.filter(
        pl.col("status").is_in(["open", "acknowledged"]),
        pl.col("hidden_by").is_null(),
        pl.col("kind").is_in(list(kinds)),
    )
    installer = dict(sites.select("site_id", "installer_id").iter_rows())
    rows = [
        {
            **{key: row[key] for key in ("exception_id", "site_id", "kind", "measured", "expected")},
            "installer_id": installer.get(row["site_id"]),
            "since": row["first_day"],
            "diagnosis": f"{row['summary'].rstrip('. ')}. "
            f"Likely cause: {cause_of(kinds[row['kind']], evidence_of(row['evidence']))}",
            "steps": numbered_steps(kinds[row["kind"]]),
        }
        for row in order(wanted).iter_rows(named=True)
        if needs_visit(kinds[row["kind"]], row["severity"], evidence_of(row["evidence"]))
    ]
    return pl.DataFrame(rows, schema=REVISITS, orient="row")


def evidence_of(text: str | None) -> dict[str, Any]:
    """The figures behind an exception; none where the text holds none."""
    try:
        evidence = json.loads(text or "{}")
    except json.JSONDecodeError:
        return {}
    return evidence if isinstance(evidence, dict) else {}


def numbered_steps(kind: Kind) -> str:
    """The steps of a revisit, one numbered line each, cautions first: they hold before the first cover comes off."""
    cautions = [f"CAUTION: {caution}" for caution in kind.cautions]
    return "\n".join(cautions + [f"{i}. {step}" for i, step in enumerate(kind.steps or (kind.next_step,), start=1)])
