"""An invented fleet's morning, small enough to check by hand."""

import json
from datetime import date, timedelta
from typing import Any

import polars as pl

from detectors.finding import Kind
from detectors.frames import DAYS, SITES
from pipeline.digest import Around, DayState, DigestFacts, Rules, build_facts
from pipeline.digest.narrowing import WHOLE
from pipeline.digest.site_page import Course, Entry, SiteFacts
from pipeline.exceptions.changes import Folded
from pipeline.exceptions.fold import fold
from pipeline.frames import DECISIONS, FINDINGS, JUDGED, NOT_JUDGED

DAY = date(2026, 4, 14)
HOSTILE = "<script>alert('x')</script> & \"Sons\"\u202e\n\x07"
KINDS = {
    "time-zone-wrong": Kind(
        title="Clock off",
        hides=("underperformance",),
        where="site",
        bring=("a watch",),
        proof="The logger shows the watch's time.",
        cause="Another zone was entered.",
        next_step="The desk compares the zones.",
        steps=("Read the zone.", "Set it."),
        cautions=("Live in daylight.",),
    ),
    "underperformance": Kind(title="Yields too little", cause="Dirt.", next_step="The desk asks for a photo."),
    "unexpected-export": Kind(
        title="Feeds in",
        cause="No limit is set.",
        next_step="The desk sets the limit.",
        setting="Feed-in limit",
        now="lets {worst_w:,.0f} W through",
        should_be="{limit_w:,.0f} W",
        command="noonmark check {site_id}",
        visit_if="the limit does not hold",
    ),
    "voltage-out-of-band": Kind(title="Voltage high", close_after=2, cause="The street.", next_step="A letter."),
}


def sites(number: int = 6) -> pl.DataFrame:
    """Sites S0, S1, ...: S1 with a hostile name, S2 in CHF, S5 not watched."""
    rows = [
        {
            "site_id": f"S{i}",
            "name": HOSTILE if i == 1 else f"Roof {i}",
            "timezone": "Europe/Vienna",
            "currency": "CHF" if i == 2 else "EUR",
            "installer_id": "north" if i % 2 else None,
            "watched": i != 5,
        }
        for i in range(number)
    ]
    return pl.DataFrame(rows, schema=SITES)


def finding(site: str, kind: str, ago: int, **changed: Any) -> dict[str, Any]:
    """A finding `ago` days before DAY: 2 kWh and 0.50 lost."""
    row: dict[str, Any] = {
        "site_id": site,
        "kind": kind,
        "day": DAY - timedelta(days=ago),
        "severity": "soon",
        "value": 20.0,
        "unit": "%",
        "threshold": 15.0,
        "summary": f"Seen at {site}.",
        "measured": "80 %",
        "expected": "100 %",
        "loss_kwh": 2.0,
        "cost": 0.5,
        "evidence": {},
    }
    row |= changed
    return row | {"evidence": json.dumps(row["evidence"])}


def findings() -> list[dict[str, Any]]:
    """New: S0 (urgent) and S2. Open: S1's clock for 4 days, which hides its yield. Closed today: S3's voltage."""
    days = [str(DAY - timedelta(days=i)) for i in (2, 1, 0)]
    made = {"name": "made", "unit": "kWh", "role": "measured", "at": days, "values": [5.0, 4.5, 1.0]}
    return [
        finding("S0", "unexpected-export", 0, severity="urgent", unit="kWh", value=3.2, loss_kwh=0.0, cost=0.0),
        finding("S2", "underperformance", 0, evidence={"series": [made]}, summary="Makes <less>."),
        *(finding("S1", "time-zone-wrong", ago, since=date(2026, 4, 1)) for ago in range(5)),
        finding("S1", "underperformance", 1),
        *(finding("S3", "voltage-out-of-band", ago, severity="watch") for ago in range(2, 6)),
        finding("S5", "underperformance", 0),
    ]


def site_days(number: int = 6) -> pl.DataFrame:
    """Thirty days: S0 makes half, S1 has no known performance, the others are at 100 %."""
    rows = [
        {
            "site_id": f"S{i}",
            "day": DAY - timedelta(days=ago),
            "readings": 288,
            "performance_pct": None if i == 1 else 50.0 if i == 0 else 100.0,
            "specific_yield_kwh_per_kwp": 3.0 if i == 1 else 4.0,
        }
        for i in range(number)
        for ago in range(30)
    ]
    return pl.DataFrame(rows, schema=DAYS)


def not_judged() -> pl.DataFrame:
    """Three sites, one reason with three figures, two detectors; and a site that is not watched."""
    rows = [
        {
            "site_id": f"S{i}",
            "day": DAY,
            "detector": d,
            "reason": f"readings cover {r} % of the day",
            "code": "low-coverage",
            "values": json.dumps({"coverage_pct": r}),
        }
        for i, r, d in [(3, 12, "yield"), (4, 9.5, "yield"), (4, 9.5, "clock"), (2, 54, "yield"), (5, 1, "yield")]
    ]
    return pl.DataFrame(rows, schema=NOT_JUDGED)


FAMILIES = {"yield": "yields", "clock": "clock"}
REASONS = {name: {"low-coverage": "readings cover {coverage_pct:g} % of the day"} for name in ("yield", "clock")}


INGEST = {
    "files": 5,
    "rows": 1440,
    "rejected_rows": 7,
    "rejected": [{"reason": "no number", "rows": 7}],
    "quarantined": [("inbox/a<b>.csv", "no profile matches")],
    "sites_without_data": ["S4"],
}


def folded(
    rows: list[dict[str, Any]], register: pl.DataFrame, day: date, decisions: list[dict[str, Any]] | None = None
) -> Folded:
    """The fold over `rows` with every site judged on each of the last 40 days."""
    judged = [
        {"site_id": site, "day": DAY - timedelta(days=ago)}
        for site in register["site_id"].to_list()
        for ago in range(40)
    ]
    return fold(
        pl.DataFrame(rows, schema=FINDINGS),
        pl.DataFrame(judged, schema=JUDGED),
        NOT_JUDGED.to_frame(),
        pl.DataFrame(decisions or [], schema=DECISIONS),
        register,
        KINDS,
        {kind: kind for kind in KINDS},
        day=day,
    )


def morning(rows: list[dict[str, Any]] | None = None, **options: Any) -> DigestFacts:
    """The facts of DAY for the fleet above."""
    register = options.pop("register", sites())
    decisions = options.pop("decisions", None)
    rows = findings() if rows is None else rows
    now, before = (folded(rows, register, DAY - timedelta(days=ago), decisions) for ago in (0, 1))
    told = DayState(
        now.exceptions,
        before.exceptions,
        now.events,
        pl.DataFrame(decisions or [], schema=DECISIONS | {"decided_for": pl.String}),
        options.pop("not_judged", not_judged()),
        options.pop("not_judged_before", NOT_JUDGED.to_frame()),
        options.pop("began", {}),
    )
    days, ingest = options.pop("days", site_days()), options.pop("ingest", INGEST)
    rules = Rules(KINDS, options.pop("reasons", REASONS), FAMILIES)
    narrowed = options.pop("narrowed", WHOLE)
    around = Around(installers={"north": "Crew North"}, **options)
    return build_facts(DAY, told, register, days, ingest, rules, around, narrowed)


def site_page(facts: DigestFacts, site_id: str) -> SiteFacts:
    """A site's page with a month, a week, a clock and its exceptions."""
    days = [float((DAY - timedelta(days=ago)).toordinal()) for ago in range(29, -1, -1)]
    hours = [1775000000.0 + 3600 * hour for hour in range(7 * 24)]
    power = [1000.0 * max(0, 12 - abs(hour % 24 - 12)) for hour in range(7 * 24)]
    listed = (*facts.exceptions, *facts.snoozed, *facts.closed)
    return SiteFacts(
        site_id=site_id,
        site_name=f"Roof {site_id}",
        region="Vienna",
        timezone="Europe/Vienna",
        day=facts.day,
        registered=[Entry("Installed", "5 kWp")],
        model=[],
        days=Course(xs=days, values={"actual": [4.0] * 30, "expected": [5.0] * 30}),
        week=Course(xs=hours, values={"pv_w": power, "soc_pct": [50.0] * len(hours)}),
        clock=Course(xs=days, values={"offset": [2.0] * 30}),
        exceptions=[one for one in listed if one.site_id == site_id],
    )
