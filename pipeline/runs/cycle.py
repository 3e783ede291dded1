"""The chain of one run over an opened workspace: ingest, sum up, judge, exceptions, digest."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from pipeline import digest as pages
from pipeline.counted import counted
from pipeline.detection import folding
from pipeline.detection.due_days import due_days, has_ended
from pipeline.detection.run_detectors import Judged
from pipeline.errors import NoonmarkError, RefusedError
from pipeline.exports.stamp_window import APART_DAYS, APART_SHARE
from pipeline.ingest import arrivals, grown
from pipeline.ingest.ingest import Ingest, IngestResult
from pipeline.runs import judging
from pipeline.runs.digest_pages import write_digest
from pipeline.runs.keeping import keep
from pipeline.runs.session import LOG, Opened, sum_up
from pipeline.store import Store, history, verdicts
from pipeline.store.stray_readings import stray_readings

LATER_DAYS = 2  # ours: until then a day is judged in its own time, wherever on earth it ended


def take_in(run: Opened, paths: Iterable[Path] = (), *, night: date | None = None) -> IngestResult:
    """Exports become readings and site-days; with `night`, as they had come by the morning after that day."""
    brought_back = grown.bring_back(run.store, run.workspace)
    waiting = arrivals.let_settle(arrivals.find(run.workspace, paths), run.settings.ingest.settle_s)
    if waiting.arrivals and not run.profiles:
        raise NoonmarkError(
            "there is no profile to read exports with",
            f"{run.workspace.profiles.name}/",
            "put the profiles back, or write one; nothing was moved",
        )
    work = Ingest(run.store, run.workspace, run.settings, run.register, run.profiles, night=night)
    with run.progress("taking in", len(waiting.arrivals), "files") as advance:
        result = work.run(waiting.arrivals, advance)
    result.still_written += waiting.still_written
    result.links += waiting.links
    result.skipped += waiting.skipped
    result.notes += [(place, "was written to after it was taken in; back in the inbox") for place in brought_back]
    sum_up(run)
    return result


def detect(run: Opened, days: Sequence[date] | None = None, *, until: date | None = None) -> Judged:
    """Judges the days given, or every day not yet judged (up to `until`, judged even if nothing arrived of it).

    Of the days given, those before all readings are left out. Raises RefusedError if a day has not ended at most
    watched sites, or if all that are given are before the readings.
    """
    refuse_days_not_over(run.store, days if until is None else [until])
    sum_up(run)
    if days is not None:
        days = days_since_first_readings(run.store, days)
    now, asked = datetime.now(UTC), [*(days or ()), *([] if until is None else [until])]
    settled = now - timedelta(hours=run.settings.detect.judge_after_h)
    if not all(has_ended(run.store, day, settled) for day in asked):
        settled = now  # a person asks for a day that has only just ended
    if days is None:
        days = due_days(run.store, now, run.settings.detect.judge_after_h)
        history.note_due(run.store, days)
        if until is not None:
            days = with_silent_days(days, verdicts.last_judged_day(run.store), until)
    with run.progress("judging", len(days), "days") as advance:
        result = judging.judge(run, days, advance, now=settled)
    result.folded = folding.update_exceptions(run.store)
    return result


def refuse_days_not_over(store: Store, days: Sequence[date] | None) -> None:
    """Raises RefusedError if a local day has not ended at most watched sites."""
    now = datetime.now(UTC)
    if late := [day for day in days or () if not has_ended(store, day, now)]:
        raise RefusedError("a day can be judged once it has ended at most sites", f"{late[0]}", "choose an earlier day")


def days_since_first_readings(store: Store, days: Sequence[date]) -> list[date]:
    """The days but for those before all readings; of a day after the last, silence is judged.

    Raises RefusedError where none is left.
    """
    heard = history.days_with_readings(store)
    if not heard:
        raise RefusedError("no watched site has readings yet", "the history", "take exports in: `noonmark ingest`")
    if max(days) < heard[0]:
        raise RefusedError(
            f"no watched site has readings before {heard[0]}", f"{max(days)}",
            f"choose a later day; the first with readings is {heard[0]} and the last is {heard[-1]}",
        )  # fmt: skip
    if min(days) < heard[0]:
        LOG.info("judging from %s on, the first day with readings", heard[0])
    return [day for day in days if day >= heard[0]]


def with_silent_days(due: Sequence[date], last_judged: date | None, until: date) -> list[date]:
    """The due days up to `until`, and those since the last judged one of which nothing arrived: silence is judged."""
    due_days = {day for day in due if day <= until}
    since = last_judged if last_judged is not None else max(due_days, default=until - timedelta(days=1))
    span = range(max((until - since).days, 0))
    return sorted(due_days | {since + timedelta(days=n + 1) for n in span})


@dataclass(frozen=True)
class CycleResult:
    """What a cycle did."""

    taken_in: IngestResult
    judged: Judged
    facts: pages.DigestFacts | None
    folder: Path | None

    @property
    def needs_person(self) -> bool:
        """Whether a file was set aside or a site gave nothing to judge."""
        return self.taken_in.needs_person or self.judged.needs_person


def cycle(run: Opened, *, day: date | None = None) -> CycleResult:
    """Ingest, detect, digest, once. With `day`, days up to it are judged, even if nothing arrived of them.

    A day before yesterday is lived through later: what the inbox holds counts as come by the morning after it.

    Raises RefusedError, before anything is taken in, if `day` has not ended at most watched sites.
    """
    refuse_days_not_over(run.store, None if day is None else [day])
    is_later = day is not None and day < datetime.now(UTC).date() - timedelta(days=LATER_DAYS)
    taken_in = take_in(run, night=day if is_later else None)
    tell_stray_readings(run.store)
    judged = detect(run, until=day)
    facts, folder = None, None
    if verdicts.last_judged_day(run.store) is not None:
        wanted = day if day is not None and verdicts.is_judged(run.store, day) else None
        facts, folder = write_digest(run, wanted, judged.folded)
    for clause in keep(run):
        LOG.info("kept: %s", clause)
    return CycleResult(taken_in, judged, facts, folder)


def tell_stray_readings(store: Store) -> None:
    """Says which readings of the history would be rejected today for their stamps, and how to be rid of them."""
    for stray in stray_readings(store, apart_days=APART_DAYS, share=APART_SHARE):
        LOG.warning(
            "noonmark: %s stamped %s to %s, far from all others of their exports, %s, run "
            "`noonmark ingest --rebuild`, which rejects such rows",
            counted(stray.readings, "reading is", "readings are"), stray.first_day, stray.last_day, stray.site_id,
        )  # fmt: skip


def days_between(day: date | None, first: date | None, last: date | None) -> list[date] | None:
    """The days that a command names: one, a span, or None. Raises NoonmarkError for a mix, or half a span."""
    if day is not None:
        if first is not None or last is not None:
            raise NoonmarkError("--day goes without --from and --to", "the command line", "give one or the other")
        return [day]
    if first is None and last is None:
        return None
    if first is None or last is None or last < first:
        raise NoonmarkError("a span needs --from and a --to that is not before it", "the command line", "give both")
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]
