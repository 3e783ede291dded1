"""Exceptions folded from what the history holds, once for the day asked for and the day before it."""

from datetime import date, timedelta
from functools import partial
from typing import NamedTuple

from detectors import detector_names, kinds
from pipeline.exceptions import fold as exceptions
from pipeline.exceptions.changes import Folded, with_corrected
from pipeline.exceptions.revisits import revisits
from pipeline.store import Store, losses, verdicts


class FoldedDays(NamedTuple):
    """The exceptions as they stood at the end of a day, and of the day before, each with what changed them."""

    day: date
    now: Folded
    before: Folded


def fold(store: Store, day: date) -> FoldedDays:
    """The exceptions at the end of `day` and of the day before, in one pass over findings and decisions."""
    days = [day - timedelta(days=1), day]
    owners = detector_names()
    findings, judged, silent = verdicts.up_to(store, day, owners)
    folded = exceptions.fold_at(
        findings, judged, silent, verdicts.decisions(store), store.sites(), kinds(), owners,
        days=days, losses=losses.up_to(store, day), first_days=losses.first_days(store),
        telling_of=partial(verdicts.telling_of, store),
    )  # fmt: skip
    corrected = verdicts.corrected(store)
    before, now = (with_corrected(one, corrected, day=on) for one, on in zip(folded, days, strict=True))
    return FoldedDays(day, now, before)


def update_exceptions(store: Store) -> FoldedDays | None:
    """Brings the exceptions and revisits to the end of the last judged day; None if no day was judged."""
    day = verdicts.last_judged_day(store)
    if day is None:
        return None
    folded = fold(store, day)
    now = folded.now
    verdicts.write_exceptions(store, now.exceptions, revisits(now.exceptions, store.sites(), kinds()), now.events)
    return folded
