"""What a detector says of one site on one day, and what is known of each kind of finding."""

from datetime import date
from typing import Literal, NamedTuple

from pydantic import BaseModel

Severity = Literal["urgent", "soon", "watch"]
EvidenceValue = float | int | str | list[float | None] | list[str] | None


class Finding(BaseModel, frozen=True, extra="forbid"):
    """One matter at one site on one local day.

    `evidence` holds the numbers behind the sentence and the series that a chart needs, all with units in their keys
    (`offset_min`, `fed_in_w`, `zone_name`, `worst_utc`, ...).
    """

    site_id: str
    day: date  # local day of the site that was judged
    kind: str
    severity: Severity
    value: float  # the figure that decides, in `unit`
    unit: str
    threshold: float
    summary: str  # one sentence in the desk's words, with the figures
    measured: str = ""  # what was measured, for the revisit sheet
    expected: str = ""  # what it should have been
    since: date | None = None  # the day from which the fault is judged to have been there; None = this day
    loss_kwh: float = 0.0  # of this day alone
    cost: float = 0.0  # of this day alone, in the site's currency
    evidence: dict[str, EvidenceValue] = {}


class NotJudged(NamedTuple):
    """A site-day that a detector could not judge."""

    site_id: str
    day: date
    detector: str
    reason: str  # what was lacking, in the desk's words


Verdict = Finding | NotJudged


class Kind(BaseModel, frozen=True, extra="forbid"):
    """What is the same for all findings of a kind: how an exception opens and closes, and what to do about it."""

    title: str  # a headline in the desk's words
    open_after: int = 1  # findings ...
    within: int = 1  # ... among so many judged days, until an exception opens
    close_after: int = 3  # judged clear days in a row until it closes by itself
    revisit: bool = False  # True: an installer is needed, at the site or at the site's settings
    cause: str  # the likely cause
    next_step: str  # what to do first, and who
    steps: tuple[str, ...] = ()  # for the revisit sheet, in general words
    cautions: tuple[str, ...] = ()  # where work can hurt someone
