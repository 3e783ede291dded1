"""The parts of a digest, and how figures are written in it."""

import re
from datetime import date, datetime
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, field_validator

from detectors.losses import FED_IN, MEASURED


def plain(text: str | None) -> str:
    """Untrusted text on one line: control and direction-changing characters become spaces, what is no Unicode a `?`."""
    text = (text or "").encode("utf-8", "replace").decode()
    return re.sub(r"[\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]+", " ", text).strip()


WAS = "was "  # how a change of diagnosis or severity begins

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


class Losses(Facts):
    """What an exception costs, in energy and in the site's money."""

    per_day_kwh: float
    per_day: Money
    so_far_kwh: float
    so_far: Money
    if_left_kwh: float  # so far, and IF_LEFT_DAYS more days like the mean one
    if_left: Money
    basis: str = MEASURED  # detectors.losses.Basis
    at_stake_kwh: float = 0.0  # fed in beyond the limit so far; no loss

    @property
    def instead(self) -> str:
        """What is told where no loss was measured."""
        if self.basis == FED_IN:
            return f"{self.at_stake_kwh:,.1f} kWh fed in beyond the limit so far"
        return "no loss of energy measured" if self.basis == MEASURED else self.basis

    @property
    def is_known(self) -> bool:
        """Whether a loss was measured at all."""
        return self.so_far_kwh >= 0.05 or self.so_far.amount >= 0.005


class Setting(Facts):
    """What the desk can set from afar."""

    what: str
    now: str
    should_be: str


class Event(Facts):
    """One change of an exception: by detection, or by a person."""

    at: date
    event: str
    by: str
    note: str


class ExceptionFacts(Facts):
    """One exception as the desk sees it."""

    exception_id: str
    site_id: str
    site_name: str
    region: str
    installer_id: str | None
    installer: str  # name, else id, else empty
    timezone: str
    kind: str
    title: str
    severity: str
    status: str
    change: str = ""  # since the last digest: "new", "came back", "was: ...", ...; empty = none
    opened_on: date
    first_day: date
    last_day: date
    days_open: int
    age_days: int  # from first_day to the digest's day, both counted
    finding_days: int
    closed_on: date | None
    reopened: int
    snoozed_until: date | None
    note: str
    decided_by: str = ""  # who decided last
    decided_on: date | None = None
    decided_for: str = ""  # the person who is to see to it
    loss: Losses
    summary: str
    measured: str
    expected: str
    value: float | None
    unit: str
    threshold: float | None
    likely_cause: str
    next_step: str
    where: str  # "desk" = set from afar, "site" = needs hands
    is_visit: bool  # an installer is sent
    setting: Setting | None = None
    command: str = ""  # ready to be typed
    visit_if: str = ""
    hides: list[Hidden] = []
    hides_why: str = ""
    has_card: bool = False
    evidence: dict[str, Any] = {}
    events: list[Event] = []
    sql: str


class CommonCause(Facts):
    """Several exceptions of one kind that began on one day at sites of one profile or region: told in one line."""

    text: str
    kind: str
    since: date
    exception_ids: list[str]


class Revisit(Facts):
    """One visit, with all that its sheet says."""

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
    steps: str  # cautions and numbered steps in one text, as the relation `revisit` has it
    step_list: list[str] = []
    bring: list[str] = []
    proof: str = ""
    cautions: list[str] = []
    address: str = ""
    contact: str = ""
    phone: str = ""
    access_note: str = ""
    latitude: float | None = None
    longitude: float | None = None


class InstallerRevisits(Facts):
    installer_id: str | None
    name: str
    revisits: list[Revisit]


class NotJudgedGroup(Facts):
    code: str | None = None  # of the detectors' REASONS; null = judged before there were codes
    reason: str  # figures that differ from site to site stand as a range
    what: str  # in the desk's words: the clock, the battery, ...
    detectors: list[str]
    sites: list[str]  # ids
    names: list[str]  # of the same sites
    is_new: bool  # at one of these sites it could be judged the day before


class MapRow(Facts):
    site_id: str
    site_name: str
    region: str
    basis: str  # "performance" = % of expected; "region" = % of the region's median specific yield of the day
    is_dark: bool  # no readings on the newest day
    is_judged: bool  # the newest day has a figure
    values: list[int | None]  # %, one per day of the map, newest first
    readings: list[bool]  # whether there were any, of the same days


class FleetMap(Facts):
    days: list[date]  # newest first
    median: list[int | None]  # of the rows, %
    rows: list[MapRow]  # without readings or not judged first, then the lowest of the last seven days


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
    made_at: datetime  # UTC
    previous_day: date | None = None  # of the digest before
    next_day: date | None = None
    url: str = ""  # where digests/ can be opened, for the mail
    top: int
    headline: str
    figures: list[Figure]
    exceptions: list[ExceptionFacts]  # open or acknowledged, worst first
    common_causes: list[CommonCause]
    snoozed: list[ExceptionFacts]
    closed: list[ExceptionFacts]  # since the last digest
    revisits: list[InstallerRevisits]
    not_judged: list[NotJudgedGroup]
    not_judged_sql: str
    map: FleetMap
    map_sql: str
    ingest: IngestFacts
    ingest_sql: str

    @property
    def new(self) -> list[ExceptionFacts]:
        """What was not in view in the digest before."""
        return [one for one in self.exceptions if is_new(one)]

    def count_of(self, severity: str) -> int:
        """How many in view are of this severity."""
        return sum(one.severity == severity for one in self.exceptions)


def is_new(one: ExceptionFacts) -> bool:
    """Whether it came into view since the digest before; a change of diagnosis alone is none."""
    return bool(one.change) and not one.change.startswith(WAS)
