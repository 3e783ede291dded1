"""What the service manager reads each morning, as page, text, JSON, sheets and to-dos."""

from collections.abc import Iterator, Sequence
from datetime import date
from pathlib import Path

from pipeline.digest.calendar import to_calendar
from pipeline.digest.facts import Around, DayState, Rules, build_facts
from pipeline.digest.index_page import indexed, to_index
from pipeline.digest.json_facts import to_json
from pipeline.digest.model import DigestFacts, ExceptionFacts, IngestFacts
from pipeline.digest.page import to_html
from pipeline.digest.sheet import all_sheets, to_revisits_csv
from pipeline.digest.site_page import SiteFacts, to_site_html
from pipeline.digest.text import to_text
from pipeline.workspace.files import replace_file

__all__ = [
    "Around",
    "DayState",
    "DigestFacts",
    "ExceptionFacts",
    "IngestFacts",
    "Rules",
    "SiteFacts",
    "build_facts",
    "digest_days",
    "link_forward",
    "to_calendar",
    "to_html",
    "to_json",
    "to_text",
    "write_digest",
    "write_index",
]  # fmt: skip


def write_digest(folder: Path, facts: DigestFacts, sites: Sequence[SiteFacts] = ()) -> list[Path]:
    """The files of a day in `folder`, which is made; each replaces its former self in one step.

    Pages of sites and sheets of visits that this digest does not have any more are taken away.
    """
    contents = dict(_contents(facts, sites))
    for name in ("sites", "revisits"):
        (folder / name).mkdir(parents=True, exist_ok=True)
        for page in (folder / name).glob("*.html"):
            if f"{name}/{page.name}" not in contents:
                page.unlink()
    for name, content in contents.items():
        replace_file(folder / name, content)
    return [folder / name for name in contents]


def _contents(facts: DigestFacts, sites: Sequence[SiteFacts]) -> Iterator[tuple[str, str]]:
    """(path below the day's folder, content); the page comes last, so that what it links to is there."""
    for site in sites:
        yield f"sites/{site.site_id}.html", to_site_html(facts, site)
    for name, sheet in all_sheets(facts):
        yield f"revisits/{name}", sheet
    yield "digest.txt", to_text(facts)
    yield "revisits.csv", to_revisits_csv(facts)
    yield "revisits.ics", to_calendar(facts)
    yield "digest.json", to_json(facts)
    yield "digest.html", to_html(facts)


def link_forward(digests: Path, day: date, following: date) -> None:
    """Gives the digest of `day` its link to the one that follows; all else stays as it was told then."""
    folder = digests / day.isoformat()
    try:
        facts = DigestFacts.model_validate_json((folder / "digest.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):  # of an earlier version: it keeps what it has
        return
    if facts.next_day != following:
        linked = facts.model_copy(update={"next_day": following})
        replace_file(folder / "digest.html", to_html(linked))
        replace_file(folder / "digest.json", to_json(linked))  # last: it says that this was done


def digest_days(digests: Path) -> list[date]:
    """The days that have a digest below `digests`, oldest first."""
    found = []
    for page in digests.glob("*/digest.html"):
        try:
            found.append(date.fromisoformat(page.parent.name))
        except ValueError:
            continue
    return sorted(found)


def write_index(digests: Path, title: str) -> Path:
    """digests/index.html, of all digests there."""
    listed = [indexed(day, (digests / day.isoformat() / "digest.html")) for day in digest_days(digests)]
    replace_file(digests / "index.html", to_index(title, listed))
    return digests / "index.html"
