"""The parts of a digest, and how figures are written in it."""

import re
from collections import defaultdict
from collections.abc import Iterable
from datetime import date
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, field_validator


def plain(text: str | None) -> str:
    """Untrusted text on one line: control and direction-changing characters become spaces, what is no Unicode a `?`."""
    text = (text or "").encode("utf-8", "replace").decode()
    return re.sub(r"[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]+", " ", text).strip()


PlainText = Annotated[str, BeforeValidator(plain)]


class Facts(BaseModel):
    """What all parts share: frozen, nothing unknown."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Figure(Facts):
    label: str
    value: str  # as shown
    note: str
    sql: str


class Money(Facts):
    amount: float
    currency: str

    def __str__(self) -> str:
        return f"{self.amount:,.2f} {self.currency}"


class Hidden(Facts):
    """An exception that stands behind its cause."""

    exception_id: str
    title: str
    severity: str


class Matter(Facts):
    """One exception as the desk sees it."""

    exception_id: str
    site_id: str
    site_name: str
    installer_id: str | None
    installer: str  # name, else id, else empty
    timezone: str
    kind: str
    title: str
    severity: str
    status: str
    opened_on: date
    first_day: date
    last_day: date
    days_open: int
    finding_days: int
    closed_on: date | None
    reopened: int
    snoozed_until: date | None
    note: str
    loss_kwh: float
    cost: Money
    summary: str
    measured: str
    expected: str
    value: float | None
    unit: str
    threshold: float | None
    likely_cause: str
    next_step: str
    needs_revisit: bool
    came: str = ""  # why it is among the new ones, where it is not simply new
    hides: list[Hidden] = []
    has_picture: bool = False
    evidence: dict[str, Any] = {}
    sql: str


class Revisit(Facts):
    exception_id: str
    site_id: str
    site_name: str
    installer_id: str | None
    kind: str
    title: str
    severity: str
    since: date
    diagnosis: str
    measured: str
    expected: str
    steps: str


class InstallerRevisits(Facts):
    installer_id: str | None
    name: str
    revisits: list[Revisit]


class NotJudgedGroup(Facts):
    code: str | None = None  # of the detectors' REASONS; null = judged before there were codes
    reason: str  # figures that differ from site to site stand as a range
    detectors: list[str]
    sites: list[str]


class MapRow(Facts):
    site_id: str
    site_name: str
    basis: str  # "performance" = % of expected; "fleet" = % of the fleet's median specific yield of the day
    values: list[int | None]  # %, one per day of the map


class FleetMap(Facts):
    days: list[date]
    median: list[int | None]  # of the rows, %
    rows: list[MapRow]  # lowest of the last seven days first


class QuarantinedFile(Facts):
    file: PlainText
    reason: PlainText
    count: int = 1  # files of the same reason, of which `file` names the first


class RejectedRows(Facts):
    reason: PlainText
    rows: int


class IngestFacts(Facts):
    """What came in since the digest before. All of it may be left out."""

    after_export_id: int = 0  # the exports that are told: those behind this number in the ledger,
    until_export_id: int | None = None  # up to this one; None = all
    files: int = 0
    rows: int = 0
    rejected_rows: int = 0
    rejected: list[RejectedRows] = []
    quarantined: list[QuarantinedFile] = []
    sites_without_data: list[str] = []

    @field_validator("quarantined", mode="before")
    @classmethod
    def _pairs(cls, value: Any) -> Any:
        return [{"file": v[0], "reason": v[1]} if isinstance(v, list | tuple) else v for v in value]


class DigestFacts(Facts):
    """The whole digest of one day."""

    title: str
    day: date
    top: int
    headline: str
    figures: list[Figure]
    new: list[Matter]
    still_open: list[Matter]
    snoozed: list[Matter]
    closed: list[Matter]
    revisits: list[InstallerRevisits]
    not_judged: list[NotJudgedGroup]
    not_judged_sql: str
    map: FleetMap
    map_sql: str
    ingest: IngestFacts
    ingest_sql: str


def money_by_currency(parts: Iterable[Matter]) -> list[Money]:
    """One sum per currency, the largest first; currencies are never added up."""
    sums: dict[str, float] = defaultdict(float)
    for part in parts:
        sums[part.cost.currency] += part.cost.amount
    return [Money(amount=a, currency=c) for c, a in sorted(sums.items(), key=lambda item: (-item[1], item[0]))]


def money_text(parts: Iterable[Matter]) -> str:
    """Such as `12.30 EUR + 4.00 CHF`."""
    return " + ".join(str(money) for money in money_by_currency(parts) if money.amount >= 0.005) or "nothing"


def count(number: int, noun: str, plural: str | None = None) -> str:
    """`1 site`, `2 sites`."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"
