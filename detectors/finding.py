"""What a detector says of one site on one day, and what is known of each kind of finding."""

import math
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from string import Formatter
from typing import Any, Literal, NamedTuple

import polars as pl
from pydantic import BaseModel, model_validator

from detectors.losses import MEASURED, NOTHING, DayLoss

Quantity = Literal["time", "stamps", "readings", "grid sign", "balance", "charge"]
REASONS = {  # code -> sentence: what every detector may say; its own REASONS come beside them
    "no-readings": "no readings on this day",
    "device-silent": "one of its devices was silent, and what the others delivered is a part",
    "time-unreliable": "clock is known to be wrong",
    "stamps-unreliable": "clock is known to be wrong, and what is kept of its days is as stamped",
    "light-in-the-dark": "it generated while the sun was well down: its clock or its file is wrong",
    "readings-unreliable": "its readings are known to be wrong",
    "grid-sign-unreliable": "the grid sensor's sign or phase is in doubt",
    "balance-unreliable": "generation, battery, grid and load do not add up",
    "charge-unreliable": "the battery's state of charge stands still",
    "without-battery": "the register names no battery",
}
# Reasons why a rule has nothing to ask of a site, as long as its register and its channels stay as they are: told of
# every day, so that nothing is silent, but nothing for the desk to look at. For exceptions such a day is a clear one.
DOES_NOT_APPLY = (
    "without-battery",
    "charging-agreed",
    "no-feed-in-limit",
    "no-import-limit",
    "not-three-phase",
    "not-measured",
    "history-too-short",
    "planes-not-registered",
    "limit-shapes-days",
    "few-clear-days",
)

Severity = Literal["urgent", "soon", "watch"]
EvidenceValue = float | int | str | None
Role = Literal["measured", "expected", "limit", "corrected", "reference"]
Instants = Iterable[date] | pl.Series  # days, or instants in UTC
SAME_KWH = 1e-6  # ours: rounding
CAUSE, NEXT_STEP = "cause_text", "next_step_text"  # evidence: the finding's own, in place of its kind's
VISIT_IF = (
    "visit_if_text"  # evidence: the desk mends it though its kind sends somebody; when hands are needed after all
)
OVER = "right_since_text"  # evidence: the day since which what is told no longer touches the readings
CHANNEL_UNITS = {"_w_m2": "W/m²", "_kwh": "kWh", "_pct": "%", "_hz": "Hz", "_w": "W", "_v": "V", "_c": "°C"}


class Series(BaseModel, frozen=True, extra="forbid"):
    """Values over time behind a finding, as the picture draws them."""

    name: str  # in the desk's words
    unit: str  # as written: W, kWh, %, min, ...; "ratio" and "count" where there is none
    role: Role
    at: list[str]  # days (2025-06-10) or instants in UTC (2025-06-10T12:00:00Z), as long as `values`
    values: list[float | None]  # null where not known


def series(name: str, unit: str, role: Role, at: Instants, values: Iterable[Any]) -> Series:
    """A Series of days or of UTC instants; what is no finite number becomes null."""
    known = [None if v is None or not math.isfinite(v) else round(float(v), 4) for v in values]
    return Series(name=name, unit=unit, role=role, at=[_iso(one) for one in at], values=known)


def channel_series(frame: pl.DataFrame, at: str, *columns: str) -> tuple[Series, ...]:
    """The measured series of some channels of a frame, in its order: `grid_l1_w` becomes `grid l1` in W."""
    made = []
    for column in columns:
        ending = next(ending for ending in CHANNEL_UNITS if column.endswith(ending))
        name = column.removesuffix(ending).replace("_", " ")
        made.append(series(name, CHANNEL_UNITS[ending], "measured", frame[at], frame[column]))
    return tuple(made)


def level(name: str, unit: str, role: Role, value: float | None, beside: Series) -> tuple[Series, ...]:
    """One value that holds all along another series, at its first and last place; nothing where it is not known."""
    if value is None or not beside.at:
        return ()
    return (Series(name=name, unit=unit, role=role, at=[min(beside.at), max(beside.at)], values=[value, value]),)


def _iso(at: date) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ") if isinstance(at, datetime) else at.isoformat()


class Finding(BaseModel, frozen=True, extra="forbid"):
    """One fault at one site on one local day.

    `evidence` holds the numbers behind the sentence, with units in their keys (`offset_min`, `zone_name`, `worst_utc`,
    ...), and `series` what a picture of them draws.
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
    losses: tuple[DayLoss, ...] = ()  # of the days from `since` to this one, as far as they are known
    evidence: dict[str, EvidenceValue] = {}
    series: tuple[Series, ...] = ()

    @model_validator(mode="after")
    def _tells_one_loss(self) -> "Finding":
        """Raises ValueError where a loss lies outside since to day, or the day's own is told with two figures."""
        first = self.since or self.day
        for one in self.losses:
            if not first <= one.day <= self.day:
                raise ValueError(f"a loss of {one.day} lies outside {first} to {self.day}")
            if one.day == self.day and one.basis == MEASURED and abs(one.kwh - self.loss_kwh) > SAME_KWH:
                raise ValueError(f"the loss of {one.day} is told as {one.kwh} and as {self.loss_kwh} kWh")
        return self

    @property
    def reported_losses(self) -> tuple[DayLoss, ...]:
        """`losses`, or what this day alone says."""
        basis = MEASURED if self.loss_kwh or self.cost else NOTHING
        return self.losses or (DayLoss(self.day, self.loss_kwh, self.cost, basis),)


ReasonValue = float | int | str | None


class Reason(str):
    """What was lacking, as a sentence in the desk's words that keeps the code and the values it was made from."""

    code: str
    values: dict[str, ReasonValue]

    def at_device(self, device_id: str) -> "Reason":
        """The same of one device of several."""
        return _reason(f"{device_id}: {self}", self.code, {**self.values, "device_name": device_id})


def because(reasons: Mapping[str, str], code: str, **values: Any) -> Reason:
    """The sentence of `code`, of `reasons` or of REASONS, with its values; KeyError where a name is in neither."""
    plain: dict[str, ReasonValue] = {k: v.item() if hasattr(v, "item") else v for k, v in values.items()}
    template = reasons[code] if code in reasons else REASONS[code]
    return _reason(template.format(**plain), code, plain)


def _reason(text: str, code: str, values: dict[str, ReasonValue]) -> Reason:
    made = Reason(text)
    made.code, made.values = code, values
    return made


class NotJudged(NamedTuple):
    """A site-day that a detector could not judge."""

    site_id: str
    day: date
    detector: str
    reason: Reason


Verdict = Finding | NotJudged


class Kind(BaseModel, frozen=True, extra="forbid"):
    """What is the same for all findings of a kind: how an exception opens and closes, and what to do about it."""

    title: str  # a headline in the desk's words
    title_naming: str = ""  # the same with what the evidence names, a template; see `title_of`
    group: str = ""  # kinds of one group are one exception, whose kind is its present diagnosis; empty = the kind alone
    hides: tuple[str, ...] = ()  # kinds, groups or families whose exceptions at the site are effects; or "everything"
    hides_why: str = ""  # the sentence that says why they are
    hides_if: Severity | None = None  # only an exception of this severity hides; None = any
    makes_unreliable: tuple[Quantity, ...] = ()  # what the detectors after it may not rely on at this site and day
    open_after: int = 1  # findings ...
    within: int = 1  # ... among so many judged days, until an exception opens
    close_after: int = 3  # judged clear days in a row until it closes by itself
    where: Literal["desk", "site"] = "desk"  # where the remedy begins: what is set from afar, or with hands at the site
    cause: str  # the likely cause
    next_step: str  # what to do first, and who
    setting: str = ""  # what the desk sets from afar; like the next three a template, see `filled`
    now: str = ""  # how it is set now, as far as the readings tell
    should_be: str = ""  # how it should be set
    command: str = ""  # the command that does the desk's part of it
    visit_if: str = ""  # when a desk task needs hands after all
    steps: tuple[str, ...] = ()  # for the revisit sheet, in general words
    bring: tuple[str, ...] = ()  # what the installer takes along
    proof: str = ""  # how to prove on site, within 15 minutes, that it is fixed
    cautions: tuple[str, ...] = ()  # where work can hurt someone

    @property
    def revisit(self) -> bool:
        """Whether an installer is needed at the site, unless a finding says that the desk mends it."""
        return self.where == "site"


def filled(template: str, values: Mapping[str, Any]) -> str:
    """A template of a Kind with the finding's evidence and the site's register in it; empty where one is not known."""
    names = [name for _, name, _, _ in Formatter().parse(template) if name]
    return "" if any(values.get(name) is None for name in names) else template.format_map(values)


def title_of(kind: Kind, values: Mapping[str, Any]) -> str:
    """A kind's headline, with what the finding's evidence names where the kind has such a one."""
    return filled(kind.title_naming, values) or kind.title


def cause_of(kind: Kind, values: Mapping[str, Any]) -> str:
    """The likely cause: the finding's own, where its evidence knows more than the kind, else the kind's."""
    return str(values.get(CAUSE) or kind.cause)


def next_step_of(kind: Kind, values: Mapping[str, Any]) -> str:
    """The next step, likewise."""
    return str(values.get(NEXT_STEP) or kind.next_step)


def visit_if_of(kind: Kind, values: Mapping[str, Any]) -> str:
    """When what begins at the desk needs hands after all, likewise."""
    return str(values.get(VISIT_IF) or kind.visit_if)


def begins_at(kind: Kind, values: Mapping[str, Any]) -> Literal["desk", "site"]:
    """Where the remedy begins, likewise."""
    return "desk" if values.get(VISIT_IF) else kind.where


def doubts(earlier: pl.DataFrame, *quantities: Quantity) -> dict[str, Reason]:
    """Site -> why what relies on `quantities` can't be judged there, by EARLIER; the first one named counts."""
    found: dict[str, Reason] = {}
    for quantity in quantities:
        reason = because(REASONS, f"{quantity.replace(' ', '-')}-unreliable")
        for site_id in earlier.filter(pl.col("unreliable").list.contains(quantity))["site_id"]:
            found.setdefault(site_id, reason)
    return found
