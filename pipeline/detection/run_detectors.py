"""Days put before the detectors, a whole fleet at once."""

import json
import math
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import partial
from typing import Any

import polars as pl

import detectors
from detectors import detector_names, earlier_frame, kinds, wanted_frames
from detectors.data_quality.flags import good_values
from detectors.finding import Finding, Kind, NotJudged, Verdict, because
from detectors.frames import DAYS, DEVICE_READINGS, PROFILE_ZONES, QUARANTINED_FILES, READINGS
from detectors.provisional import corrected, corrections, marked
from detectors.stats.rows import among
from detectors.yields.false_alarms import PER_SITE_YEAR
from pipeline import progress
from pipeline.detection.day_readings import FORMS, DayReadings
from pipeline.detection.due_days import DAY_WINDOW, zones_not_over
from pipeline.detection.folding import FoldedDays
from pipeline.detection.resolver import Night, Windows
from pipeline.frames import FINDINGS, LOSSES, NOT_JUDGED
from pipeline.store import (
    Store,
    device_sums,
    features,
    history,
    ledger,
    losses,
    readings,
    register,
    site_arrivals,
    verdicts,
)

BLOCK_DAYS = 31  # of a long span, so many days' windows are held at once
NIGHT_DAYS = 3  # ... and of a usual night's days one after the other's: what is not needed any more can be let go


@dataclass
class Judged:
    """What a run of the detectors found."""

    days: list[date] = field(default_factory=list)
    findings: int = 0
    not_judged: int = 0
    sites_not_judged: list[str] = field(default_factory=list)  # watched, and without a reading of the last day
    folded: FoldedDays | None = None  # the exceptions after it

    @property
    def needs_person(self) -> bool:
        """Whether a watched site gave nothing to judge on the last day."""
        return bool(self.sites_not_judged)


def judge(
    store: Store,
    days: Sequence[date],
    advance: progress.Advance = progress.silent,
    *,
    false_alarms_per_site_year: float = PER_SITE_YEAR,
    profile_zones: Mapping[str, str] | None = None,
    quarantined_files: pl.DataFrame | None = None,
    now: datetime | None = None,
) -> Judged:
    """Puts each day before every detector; what was said of it before is replaced.

    Sites at which a day is not over `now` (else: at this moment) are left out of it. `profile_zones`: the zone in
    which a profile reads all its stamps, of those that do not leave it to the register; `quarantined_files`: what lies
    in quarantine today, whichever day is judged.
    """
    now = now or datetime.now(UTC)
    settings = {
        "false_alarms_per_site_year": false_alarms_per_site_year,
        "profile_zones": pl.DataFrame(list((profile_zones or {}).items()), schema=PROFILE_ZONES, orient="row"),
        "quarantined_files": QUARANTINED_FILES.to_frame() if quarantined_files is None else quarantined_files,
    }
    result = Judged()
    size = BLOCK_DAYS if len(days) > NIGHT_DAYS else 1
    for start in range(0, len(days), size):
        block = days[start : start + size]
        # A silent day is a row for those who count days, not for those who look at readings.
        site_days = history.site_days(store, block[0] - timedelta(days=DAY_WINDOW), block[-1]).filter(
            pl.col("readings") > 0
        )
        devices = register.devices(store)
        windows = Windows(store, block[0], block[-1], partial(of_devices, devices=devices))
        for day in block:
            going_on = zones_not_over(store, day, now)
            sites = register.sites_on(store, register.sites_with_profiles(store), day).filter(
                pl.col("commissioned_on").is_null() | (pl.col("commissioned_on") <= day),
                ~pl.col("timezone").is_in(going_on),
            )
            _judge_day(store, day, sites, site_days, windows, settings, result)
            advance(1)
    return result


def _judge_day(
    store: Store,
    day: date,
    sites: pl.DataFrame,
    site_days: pl.DataFrame,
    windows: Windows,
    settings: Mapping[str, Any],
    result: Judged,
) -> None:
    # Sites that are not watched raise nothing, but their roofs still show what the sky did.
    flags = readings.read_flags(store, day, day)
    frames: dict[str, Any] = {
        **settings,
        "sites": sites,
        "planes": store.planes(),
        "devices": among(register.devices(store), sites.select("site_id")),
        "reading_flags": of_sites(flags, sites),
        "days": of_sites(_trailing(site_days.filter(~pl.col("is_partial")), day, DAY_WINDOW), sites),
        "implausible_stamps": of_sites(ledger.implausible_stamps(store, day), sites),
        "arrivals": of_sites(site_arrivals.arrivals(store, day), sites),
    }
    make = partial(_forms, store, day, sites, flags, _wanted_forms(windows))
    with DayReadings(sites["site_id"].to_list(), make, readings.laid_down_in(store)) as forms:
        night = Night(windows, day, frames, forms, partial(of_sites, sites=sites))
        said = _called_in_order(store, night, forms, day, sites)
    parts = site_days.filter(pl.col("is_partial") & (pl.col("day") == day))["site_id"].to_list()
    _write_day(store, day, night, said, sites.filter("watched"), forms.heard, parts, result)


def _called_in_order(store: Store, night: Night, forms: DayReadings, day: date, sites: pl.DataFrame) -> list[Verdict]:
    """What the detectors say, in their order of trust; all nightly features are made then."""
    said: list[Verdict] = []
    modules, about = detectors.load(), kinds()
    moved: dict[str, float] = {}  # site -> minutes by which its stamps are judged as moved
    earlier = _earlier(said, about, moved)
    for number, module in enumerate(modules):
        verdicts: list[Verdict] = list(night.call(module.detect, earlier))
        found_now = [v for v in verdicts if isinstance(v, Finding)]
        said += [marked(v, moved[v.site_id]) if isinstance(v, Finding) and v.site_id in moved else v for v in verdicts]
        if fresh := corrections(found_now, about):
            moved |= fresh
            forms.replace(_moved(store, day, sites, moved), list(moved))
        if found_now:
            earlier = _earlier(said, about, moved)
        night.let_go(later.detect for later in modules[number + 1 :])
    night.make_rest(earlier)
    return said


def _write_day(
    store: Store,
    day: date,
    night: Night,
    said: Sequence[Verdict],
    watched: pl.DataFrame,
    heard: Container[str],
    partial_sites: Sequence[str],
    result: Judged,
) -> None:
    """Stores what was said of watched sites, and the features; `heard`: sites with readings of the day."""
    raising = set(watched["site_id"])
    found = [v for v in said if isinstance(v, Finding) and v.site_id in raising]
    silent = [v for v in said if isinstance(v, NotJudged) and v.site_id in raising]
    without = [site_id for site_id in watched["site_id"] if site_id not in heard]
    silent += _nothing_to_judge(watched, without, partial_sites, said, day)
    silent = [_as_partial(one) if one.site_id in partial_sites else one for one in silent]
    with store.transaction():
        history.write_silent_days(store, day, watched["site_id"].to_list())
        features.write_night(store, night.made, day)
        verdicts.write_verdicts(
            store, day, findings_frame(found), not_judged_frame(silent),
            watched["site_id"].to_list(), _expected(night),
        )  # fmt: skip
        losses.write(store, day, losses_frame(found))
    result.days.append(day)
    result.findings += len(found)
    result.not_judged += len(silent)
    result.sites_not_judged = sorted(without)


def _wanted_forms(windows: Windows) -> set[str]:
    """The FORMS that a detector or a nightly feature names, and the one that tells which sites were heard of."""
    nightly = [one.make for one in windows.features.values() if one.is_nightly]
    functions = [*(module.detect for module in detectors.load()), *nightly]
    return {"readings", *(name for one in functions for name in wanted_frames(one) if name in FORMS)}


def _forms(
    store: Store, day: date, sites: pl.DataFrame, flags: pl.DataFrame, wanted: Container[str], ids: Sequence[str]
) -> dict[str, pl.DataFrame]:
    """The wanted FORMS of the readings of some of the sites on the day."""
    reported = readings.read_days(store, day, day, ids)
    made = {"": good_values(reported, flags), "raw_": reported}
    forms = {}
    for kind, rows in made.items():
        if f"{kind}readings" in wanted:
            forms[f"{kind}readings"] = _of_form(device_sums.to_sites(rows, device_sums.shares(store)), READINGS, sites)
        if f"{kind}device_readings" in wanted:
            own = of_devices(rows, register.devices(store))
            forms[f"{kind}device_readings"] = _of_form(own, DEVICE_READINGS, sites)
    return forms


def _of_form(rows: pl.DataFrame, schema: pl.Schema, sites: pl.DataFrame) -> pl.DataFrame:
    return of_sites(rows.select(schema.names()).cast(schema), sites)


def _moved(store: Store, day: date, sites: pl.DataFrame, minutes: Mapping[str, float]) -> dict[str, pl.DataFrame]:
    """The good readings of some sites with their stamps moved; what the day before brings into it included."""
    eve = day - timedelta(days=1)
    both = readings.read_days(store, eve, day, list(minutes))
    around = pl.concat(
        good_values(both.filter(pl.col("ts_local").dt.date() == one), readings.read_flags(store, one, one))
        for one in (eve, day)
    )
    of_each = corrected(of_devices(around, register.devices(store)), minutes, day)
    whole = device_sums.to_sites(of_each, device_sums.shares(store))
    return {
        "readings": _of_form(whole, READINGS, sites),
        "device_readings": _of_form(of_each, DEVICE_READINGS, sites),
    }


def of_devices(frame: pl.DataFrame, devices: pl.DataFrame) -> pl.DataFrame:
    """The rows of devices that the register knows today: one that was taken out is not silent, it is gone."""
    if "device_id" not in frame.columns or (devices.is_empty() and (frame["device_id"] == "").all()):
        return frame
    known = frame.join(devices, on=["site_id", "device_id"], how="semi", maintain_order="left")
    alone = frame.filter(pl.col("device_id") == "").join(devices, on="site_id", how="anti", maintain_order="left")
    return alone if known.is_empty() else pl.concat([alone, known])


def of_sites(frame: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """The rows of these sites, without days before they were commissioned; the frame itself where all are."""
    if frame.is_empty():
        return frame
    day = pl.col("day") if "day" in frame.columns else pl.col("ts_local").dt.date()
    if not _has_earlier(frame.lazy().select("site_id", day=day), frame.select(day.min()).item(), sites):
        return among(frame, sites.select("site_id"))
    since = sites.lazy().select("site_id", "commissioned_on")
    mine = frame.lazy().join(since, on="site_id", how="inner", maintain_order="left")
    return (
        mine.filter(pl.col("commissioned_on").is_null() | (day >= pl.col("commissioned_on")))
        .select(frame.columns)
        .collect()
    )


def _has_earlier(rows: pl.LazyFrame, first: date | None, sites: pl.DataFrame) -> bool:
    """Whether some of `rows` [site_id, day], of `first` and later, are of days before their site was commissioned.

    Of a large fleet some site is always new: a window is not copied for it unless it was heard before.
    """
    if first is None or not (sites["commissioned_on"] > first).any():
        return False
    late = sites.lazy().filter(pl.col("commissioned_on") > first).select("site_id", "commissioned_on")
    is_earlier = (pl.col("day") < pl.col("commissioned_on")).any()
    return bool(rows.join(late, on="site_id").select(is_earlier).collect().item())


def _trailing(frame: pl.DataFrame, day: date, window: int) -> pl.DataFrame:
    return frame.filter(pl.col("day").is_between(day - timedelta(days=window), day))


def _earlier(said: Sequence[Verdict], about: Mapping[str, Kind], moved: Container[str]) -> pl.DataFrame:
    return earlier_frame((v for v in said if isinstance(v, Finding)), about, moved)


def _expected(night: Night) -> pl.DataFrame:
    """[site_id, day, expected_kwh, judged_kwh] of the day: columns of the site-day, by the feature `expected`."""
    rows = night.rows("expected")
    expected = DAYS.to_frame() if rows is None else rows
    return expected.select("site_id", "day", "expected_kwh", "judged_kwh")


def _nothing_to_judge(
    sites: pl.DataFrame, without: Sequence[str], partial: Container[str], said: Sequence[Verdict], day: date
) -> Iterator[NotJudged]:
    """A reason for every detector that said nothing of a site `without` readings, or with a part.

    `partial`: sites of whose devices some were silent. A detector that found no reading of theirs is told why.
    """
    owners = detector_names()
    spoken = {(v.site_id, owners[v.kind] if isinstance(v, Finding) else v.detector) for v in said}
    reason = {site_id: because({}, "no-readings") for site_id in without}
    reason |= {site_id: because({}, "device-silent") for site_id in sites["site_id"] if site_id in partial}
    for site_id, why in reason.items():
        for name in dict.fromkeys(owners.values()):
            if (site_id, name) not in spoken:
                yield NotJudged(site_id, day, name, why)


def _as_partial(verdict: NotJudged) -> NotJudged:
    """The verdict of a site of whose devices some were silent: it has readings, none of them wrong, but not all."""
    is_so = verdict.reason.code in ("no-readings", "readings-unreliable")
    return verdict._replace(reason=because({}, "device-silent")) if is_so else verdict


def findings_frame(found: Sequence[Finding]) -> pl.DataFrame:
    """FINDINGS."""
    rows = []
    for verdict in found:
        fields = verdict.model_dump(exclude={"losses"})
        drawn = fields.pop("series")
        rows.append({**fields, "evidence": _json({**fields["evidence"], **({"series": drawn} if drawn else {})})})
    return pl.DataFrame(rows, schema=FINDINGS, orient="row")


def losses_frame(found: Sequence[Finding]) -> pl.DataFrame:
    """LOSSES that the findings tell of."""
    rows = [(one.site_id, one.kind, loss.day, one.day, *loss[1:]) for one in found for loss in one.reported_losses]
    return pl.DataFrame(rows, schema=LOSSES, orient="row")


def not_judged_frame(silent: Sequence[NotJudged]) -> pl.DataFrame:
    """NOT_JUDGED."""
    rows = [(*verdict, verdict.reason.code, _json(verdict.reason.values)) for verdict in silent]
    return pl.DataFrame(rows, schema=NOT_JUDGED, orient="row")


def _json(value: object) -> str:
    return _ENCODED(_finite(value)) if value else "{}"


_ENCODED = json.JSONEncoder(ensure_ascii=False).encode  # json.dumps makes an encoder each time


def _finite(value: object) -> object:
    """JSON has no NaN: a figure that is not known is null."""
    if isinstance(value, dict):
        return {name: _finite(one) for name, one in value.items()}
    if isinstance(value, list):
        return [_finite(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
