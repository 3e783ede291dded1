"""From the yield faults that are open to findings, and why the other sites' day was not judged."""

from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from detectors.finding import Finding, NotJudged, Reason, Series, Severity, because, series
from detectors.losses import MEASURED, DayLoss, Worth, day_losses, worths
from detectors.yields import low_sun
from detectors.yields.case_days import day_loss_kwh
from detectors.yields.cold import LIT_AROUND_DAYS, may_be_own_snow
from detectors.yields.history import History, of_site
from detectors.yields.lone_site import MIN_ENERGY
from detectors.yields.night import THIN_COVERAGE, USABLE_SIGMA, Night
from detectors.yields.zeros import ALIVE

REASONS = {
    "generation-missing": "no readings of generation",
    "hardly-read": "readings of generation in {coverage_pct:.0f} % of the daylight",
    "snow": "snow on the roofs around for {days} days",
    "may-be-snow": "made nothing in the cold: snow may lie on it, and nothing tells it from a dead roof yet",
    "no-usable-energy": "nothing that could have been used: its feed-in limit left no room all day",
    "voltage-high": "voltage at the level where inverters lower their power, all day",
    "held-at-nothing": "its grid was held at nothing all day, though the register gives no feed-in limit",
    "no-light": "no light that tells anything of the roof",
}
SNOW_WORDS = " Snow may lie on it: nothing tells it from a dead roof yet."
NEIGHBOURS, CLEAR_SKY = "its neighbours", "the clear sky"
SURE_NEIGHBOURS = 0.5  # effective number; below it the site stands alone
WORTH_SHARE = 0.1  # ours: of what a limited site could have used; a fall that costs it less sends nobody yet


class Open(NamedTuple):
    """A site's open case on the judged day, as its detector tells it."""

    site_id: str
    kind: str
    day: date
    first_day: date
    earliest_day: date
    latest_day: date
    before: float
    after: float
    input: int  # from 1; 0 = none
    log_odds: float
    is_sure: bool
    expected_kwh: float
    actual_kwh: float
    losses: tuple[DayLoss, ...]  # of the days since first_day, as far as they are known
    installed_kwp: float
    neighbours: float
    history: History
    planes: str
    has_limit: bool
    share_of_days: float | None = None  # on which a fall that comes and goes was there; None = on all
    may_be_snow: bool = False  # on a dark roof, and nothing tells it from a dead one yet
    may_be_hidden: bool = False  # the sun, behind an obstacle; of a roof that makes something

    @property
    def is_to_act_on(self) -> bool:
        """Whether it is sure, and at a site with a limit has cost what is worth a visit.

        A limited roof may lack a part of its power and lose next to nothing of it, and what holds it down beside its
        limit is known least where the energies show no loss.
        """
        since = max((self.first_day - self.history.first).days, 0)
        due_kwh = float(np.nansum(self.history.expected_kwh[since:]))
        is_sure = self.is_sure and not self.may_be_hidden
        return is_sure and (not self.has_limit or self.lost_kwh >= WORTH_SHARE * due_kwh)

    @property
    def days(self) -> int:
        """Days that the fault has been there, the judged one included."""
        return (self.day - self.first_day).days + 1

    @property
    def lost_kwh(self) -> float:
        """What was lost since first_day."""
        return sum(one.kwh for one in self.losses)

    @property
    def missing_pct(self) -> float:
        """% of its power that is missing."""
        return float((1 - np.exp(self.after - self.before)) * 100)

    @property
    def level_ratio(self) -> float:
        """Its level over the registered one."""
        return float(np.exp(self.after))

    @property
    def has_neighbours(self) -> bool:
        return self.neighbours >= SURE_NEIGHBOURS

    @property
    def sky(self) -> str:
        """Where the sky comes from, in the desk's words."""
        return NEIGHBOURS if self.has_neighbours else CLEAR_SKY

    @property
    def interval_text(self) -> str:
        """The first day's 95 % interval: `on 2026-04-10`, `between 2026-04-10 and 2026-04-12`."""
        if self.earliest_day == self.latest_day:
            return f"on {self.earliest_day.isoformat()}"
        return f"between {self.earliest_day.isoformat()} and {self.latest_day.isoformat()}"

    def finding(
        self,
        *,
        severity: Severity,
        value: float,
        unit: str,
        threshold: float,
        summary: str,
        measured: str,
        expected: str,
    ) -> Finding:
        """The finding with the evidence that all yield findings share; one to watch unless it is to act on."""
        today = next((one for one in self.losses if one.day == self.day), DayLoss(self.day, 0.0, 0.0, MEASURED))
        return Finding(
            site_id=self.site_id,
            day=self.day,
            kind=self.kind,
            severity=severity if self.is_to_act_on else "watch",
            value=float(value),
            unit=unit,
            threshold=float(threshold),
            summary=summary + (low_sun.WORDS if self.may_be_hidden else ""),
            measured=measured,
            expected=expected,
            since=self.first_day,
            loss_kwh=today.kwh,
            cost=today.cost,
            losses=self.losses,
            evidence={
                "missing_pct": self.missing_pct,
                "certainty_ratio": float(1 / (1 + np.exp(-self.log_odds))),
                "first_day": self.first_day.isoformat(),
                "earliest_day": self.earliest_day.isoformat(),
                "latest_day": self.latest_day.isoformat(),
                "neighbours_count": round(self.neighbours, 1),
                "sky_text": self.sky,
                "orientation_text": self.planes,
                "input_count": self.input,
                "expected_kwh": self.expected_kwh,
                "actual_kwh": self.actual_kwh,
            },
            series=_pictures(self.history),
        )


def _pictures(history: History) -> tuple[Series, ...]:
    """What was made and what should have been, day by day, and the level beside the neighbours."""
    dates = [history.first + timedelta(days=n) for n in range(len(history.x))]
    return (
        series("actual", "kWh", "measured", dates, history.actual_kwh),
        series("expected", "kWh", "expected", dates, history.expected_kwh),
        series("site", "ratio", "measured", dates, np.exp(history.x)),
    )


def open_cases(
    kind: str, cases: pl.DataFrame, residuals: pl.DataFrame, night: Night, days: pl.DataFrame
) -> Iterator[Open]:
    """The open cases of this kind on the judged day, of watched sites in their order."""
    fleet = night.fleet
    today = cases.filter(pl.col("day") == fleet.day, pl.col("kind") == kind).sort("site_id")
    if today.is_empty():
        return
    energies = {row["site_id"]: row for row in days.filter(pl.col("day") == fleet.day).iter_rows(named=True)}
    place = {site_id: n for n, site_id in enumerate(fleet.sites["site_id"])}
    mine = residuals.join(today.select("site_id"), on="site_id", how="semi").sort("site_id", "day")
    by_site = mine.partition_by("site_id", as_dict=True)
    worth_of = worths(days, fleet.sites.join(today, on="site_id", how="semi"))
    for case in today.iter_rows(named=True):
        n = place[case["site_id"]]
        site = fleet.sites.row(n, named=True)
        if site["watched"] is False:
            continue
        model = fleet.models.row(n, named=True)
        history = of_site(by_site[(case["site_id"],)], model, fleet.day)
        usual = case["usual_kwh"] or 0.0
        made = case["actual_kwh"]
        day = energies.get(case["site_id"], {})
        made = float(day.get("pv_kwh") or 0.0) if made is None else made
        yield Open(
            site_id=case["site_id"],
            kind=kind,
            day=fleet.day,
            first_day=case["first_day"],
            earliest_day=case["earliest_day"],
            latest_day=case["latest_day"],
            before=case["before"],
            after=case["after"],
            share_of_days=case["share_of_days"],
            input=case["input"],
            log_odds=case["log_odds"],
            is_sure=case["is_sure"],
            expected_kwh=usual if case["expected_kwh"] is None else case["expected_kwh"],
            actual_kwh=made,
            losses=_losses(case, history, worth_of[case["site_id"]]),
            installed_kwp=site["installed_kwp"],
            neighbours=float(night.neighbours[n]),
            history=history,
            planes=_planes(fleet.roofs.is_unknown[n], model),
            has_limit=bool(fleet.roofs.has_limit[n]),
            may_be_snow=_may_be_snow(night, n, case, by_site[(case["site_id"],)]),
            may_be_hidden=low_sun.of_case(
                case,
                history,
                site,
                has_limit=bool(fleet.roofs.has_limit[n]),
                has_sky=bool(night.neighbours[n] >= SURE_NEIGHBOURS or not fleet.roofs.is_unknown[n]),
            ),
        )


def fallen(found: Iterable[Open]) -> list[Open]:
    """Those whose level lies below the one before: a roof that snow slides off may stand higher than under it."""
    return [one for one in found if one.missing_pct > 0]


def _may_be_snow(night: Night, n: int, case: dict[str, Any], rows: pl.DataFrame) -> bool:
    """Whether snow may lie on the roof, dark since the case's first day; `rows` are its RESIDUAL."""
    first_day = case["first_day"]
    neighbours = float(night.neighbours[n])
    is_alone = not neighbours >= SURE_NEIGHBOURS
    dark_days = (night.fleet.day - first_day).days + 1
    around = rows.filter(pl.col("day").is_between(first_day - timedelta(days=1), first_day + timedelta(days=1)))
    was_excused = night.is_cold[n] and (case["opened_on"] - first_day).days >= LIT_AROUND_DAYS
    # Snow that fell later has not darkened it, nor do fewer neighbours than there were, where its first day proved it.
    was_proved = bool((around.filter(pl.col("day") == first_day)["zero_evidence"] > 0).any())
    is_covered = bool(night.is_covered[n]) and not was_proved
    began_in_spell = is_covered or bool(was_excused) or bool((around["spell_days"] > 0).any())
    is_cold = bool(night.is_cold[n]) and not was_proved
    return bool(night.may_be_snow[n] and is_alone) or may_be_own_snow(
        is_cold, neighbours, dark_days, began_in_spell=began_in_spell
    )


def _losses(case: dict[str, Any], history: History, worth: Worth) -> tuple[DayLoss, ...]:
    """What each day since the case's first lost, the judged one included."""
    last = case["day"]
    dates = [history.on(n) for n in range(len(history.x))]
    kwh = [day_loss_kwh(case, history, n) for n in range(len(history.x))]
    each = worth.per_kwh(np.nan_to_num(history.actual_kwh), np.array(kwh))
    return day_losses(dates, kwh, each, since=case["first_day"], until=last)


def _planes(is_unknown: bool, model: dict[str, Any]) -> str:
    if not is_unknown:
        turn = model["turn_deg"]
        return "register" if turn is None else f"register, turned by {turn:.0f} degrees clockwise"
    return "unknown" if model["shares"] is None else "learned as shares of seven planes"


def not_judged(detector: str, night: Night, found: Iterable[Finding], day: date) -> Iterator[NotJudged]:
    """Why the day told nothing of each watched site without a finding; silence is not health."""
    with_finding = {one.site_id for one in found}
    fleet = night.fleet
    for n, site in enumerate(fleet.sites.iter_rows(named=True)):
        if site["watched"] is False or site["site_id"] in with_finding:
            continue
        if reason := _reason(night, n, site["site_id"]):
            yield NotJudged(site["site_id"], day, detector, reason)


def _reason(night: Night, n: int, site_id: str) -> Reason | None:
    """A site-day is judged wherever it says anything: how much is for its variance to say."""
    if reason := night.doubts.get(site_id):
        return reason
    if not night.fleet.is_heard[n]:
        return because(REASONS, "generation-missing")
    if night.coverage[n] < THIN_COVERAGE:
        return because(REASONS, "hardly-read", coverage_pct=100 * float(night.coverage[n]))
    if night.spell_days[n] > 0:
        return because(REASONS, "snow", days=int(night.spell_days[n]))
    if night.is_zero[n] and night.is_cold[n] and not night.zero_evidence[n] > 0:
        return because(REASONS, "may-be-snow")
    by_pairs = np.isfinite(night.x[n]) and night.sigma[n] < USABLE_SIGMA
    by_itself = np.isfinite(night.lone_x[n]) and night.lone_energy[n] > MIN_ENERGY
    if by_pairs or by_itself or night.least[n] > ALIVE:
        return None
    if night.fleet.roofs.has_limit[n]:
        return because(REASONS, "no-usable-energy")
    if night.fleet.is_held[n].any():
        return because(REASONS, "held-at-nothing")
    return because(REASONS, "voltage-high" if night.fleet.is_voltage_high[n].any() else "no-light")
