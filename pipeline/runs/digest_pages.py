"""From the history to a day's digest: its facts, and the pages of the sites that it names."""

import json
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

import detectors
from pipeline import digest as pages
from pipeline.config.suggestions import name_remedy
from pipeline.detection import folding
from pipeline.detection.folding import FoldedDays
from pipeline.digest.fleet_map import MAP_DAYS
from pipeline.digest.narrowing import WHOLE, Narrowed
from pipeline.digest.regions import regions
from pipeline.errors import RefusedError, by_reason
from pipeline.ingest import quarantine
from pipeline.runs.session import Opened
from pipeline.runs.site_pages import sites_of
from pipeline.store import digests, history, losses, verdicts


def write_digest(
    run: Opened, day: date | None = None, folded: FoldedDays | None = None
) -> tuple[pages.DigestFacts, Path]:
    """The digest of `day` (else of the last judged day), and its folder. Raises RefusedError if nothing was judged."""
    wanted = _judged_day(run, day)
    if folded is None or folded.day != wanted:
        folded = folding.fold(run.store, wanted)
    facts = facts_of(run, wanted, folded)
    folder = run.workspace.digests / facts.day.isoformat()
    pages.write_digest(folder, facts, sites_of(run, facts, folded.now))
    if facts.previous_day is not None:
        pages.link_forward(run.workspace.digests, facts.previous_day, facts.day)
    pages.write_index(run.workspace.digests, run.settings.digest.title)
    return facts, folder


def part_of_digest(run: Opened, day: date | None, narrowed: Narrowed) -> pages.DigestFacts:
    """The facts of a part of the digest of `day` (else of the last judged day). Raises RefusedError as both do."""
    return facts_of(run, _judged_day(run, day), narrowed=narrowed)


def _judged_day(run: Opened, day: date | None) -> date:
    last = verdicts.last_judged_day(run.store)
    if last is None:
        asked = "the history" if day is None else str(day)
        raise RefusedError("nothing was judged yet", asked, "run `noonmark ingest`, then `noonmark detect`")
    if day is not None and not verdicts.is_judged(run.store, day):
        raise RefusedError("the day was not judged", str(day), f"the last day that was is {last}")
    return day or last


def rewrite_digest(run: Opened) -> None:
    """The digest of the last judged day says what a person decided since; nothing where it was not written yet."""
    last = verdicts.last_judged_day(run.store)
    if last is not None and (run.workspace.digests / last.isoformat() / "digest.html").exists():
        write_digest(run, last)


def facts_of(run: Opened, day: date, folded: FoldedDays | None = None, narrowed: Narrowed = WHOLE) -> pages.DigestFacts:
    """What the digest of `day` says, of the fleet or a part of it.

    Exceptions that were folded to that day before are not folded again. Raises RefusedError where the part is one that
    the fleet does not have.
    """
    store, sites, yesterday = run.store, run.store.sites(), day - timedelta(days=1)
    if folded is None or folded.day != day:
        folded = folding.fold(store, day)
    state = pages.DayState(
        folded.now.exceptions,
        folded.before.exceptions,
        folded.now.events,
        verdicts.decisions(store),
        verdicts.not_judged_on(store, day),
        verdicts.not_judged_on(store, yesterday),
        losses.first_days(store),
    )
    _refuse_unknown(sites, narrowed)
    others = pages.digest_days(run.workspace.digests)
    settings = run.settings.digest
    return pages.build_facts(
        day,
        state,
        sites,
        history.site_days(store, day - timedelta(days=MAP_DAYS - 1), day),
        _ingest_facts(run, day, sites if narrowed.is_whole else narrowed.of_sites(sites, regions(sites))),
        pages.Rules(detectors.kinds(), detectors.reasons(), detectors.families()),
        pages.Around(
            title=settings.title,
            top=settings.top,
            url=settings.url,
            made_at=datetime.now(UTC).replace(microsecond=0),
            previous_day=max((one for one in others if one < day), default=None),
            next_day=min((one for one in others if one > day), default=None),
            installers={one.installer_id: one.name for one in run.register.installers.values()},
            rates=settings.rates,
        ),
        narrowed,
    )


def _refuse_unknown(sites: pl.DataFrame, narrowed: Narrowed) -> None:
    """Raises RefusedError for an installer, kind or region that there is not."""
    names: dict[str, tuple[str | None, Callable[[], list[str]]]] = {
        "installer": (narrowed.installer_id, lambda: sites["installer_id"].drop_nulls().unique().sort().to_list()),
        "kind": (narrowed.kind, lambda: sorted(detectors.kinds())),
        "region": (narrowed.region, lambda: sorted(set(regions(sites).values()))),
    }
    for what, (asked, known) in names.items():
        held = [] if asked is None else known()
        fits = str.casefold if what == "region" else str
        if asked is not None and fits(asked) not in map(fits, held):
            remedy = name_remedy(str(asked), held, f"choose one of: {', '.join(held[:10])}")
            raise RefusedError(f"there is no {what} {asked!r}", "digest", remedy)


def _ingest_facts(run: Opened, day: date, sites: pl.DataFrame) -> pages.IngestFacts:
    """What came in since the digest of the judged day before, and what waits for a person.

    Of an earlier day, what waited then stays as its digest told it: the folder has moved on since.
    """
    span = digests.span(run.store, day)
    totals = digests.taken_in(run.store, span)
    with_data = history.site_days(run.store, day, day).filter(pl.col("readings") > 0)["site_id"]
    silent = sites.filter(pl.col("watched") & ~pl.col("site_id").is_in(with_data.to_list()))["site_id"]
    waiting = None if day == verdicts.last_judged_day(run.store) else _waited(run.workspace.digests, day)
    if waiting is None:
        waiting = [
            {"file": file, "reason": reason, "count": count}
            for file, reason, count in by_reason(quarantine.quarantined(run.workspace))
        ]
    return pages.IngestFacts.model_validate(
        {**totals, **span._asdict(), "quarantined": waiting, "sites_without_data": silent.to_list()}
    )


def _waited(folder: Path, day: date) -> list[dict[str, Any]] | None:
    """The files in quarantine as the digest of the day told them when it was made first; None where there is none."""
    try:
        facts = json.loads((folder / day.isoformat() / "digest.json").read_text(encoding="utf-8"))
        return list(facts["ingest"]["quarantined"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
