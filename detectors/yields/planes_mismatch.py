"""Registered planes that the clear days of weeks contradict: an entry of the register to be corrected, not a fault.

A roof that is entered with another tilt or azimuth is expected to make its power at other hours; its yield is then
known less well than it could be. Told where mornings and afternoons both exclude the register, in every model of weeks,
and by more than a clock could turn the sky; and, beside neighbours, where the planes turned as a whole make what the
roof makes (`turned_planes`), by which its yield is then judged.
"""

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from detectors.finding import Finding, Kind, NotJudged, Reason, Series, Verdict, because, level, series
from detectors.yields.site_model import known_roofs, planes_text

DETECTOR = "planes-mismatch"
KIND = "planes-mismatch"
RANK = 65
KINDS = {
    KIND: Kind(
        title="Registered planes do not fit the clear days",
        close_after=2,
        where="desk",
        setting="Tilt and azimuth in the register",
        now="{registered_text}",
        should_be="{learned_text}",
        visit_if="neither plans nor photographs show how the modules lie",
        cause="Tilt or azimuth were entered wrongly, or planes are missing from the register.",
        next_step="Service desk: compare the register with the plans or an aerial photograph, and correct sites.csv or "
        "arrays.csv; the yield is then judged by the right planes.",
    )
}
REASONS = {
    "planes-not-registered": "the register gives no planes to compare with",
    "limit-shapes-days": "a feed-in limit shapes its clear days",
    "few-clear-days": "{models_count} models of clear days with the present register, {needed_count} over three weeks "
    "are needed",
}

MIN_LOG_RATIO = 4.0  # ours: in each half of the day, e^8 to 1 together; right registers stayed below 2 in each
MODELS = 4  # ours: learned once a week each; a month of bright days, or of one odd week, is none
SPAN_DAYS = 21
MIN_CLEAR_DAYS = 10  # ours: of twelve at most
MIN_SIGMAS = 3.0  # ours: of tilt or azimuth, by their stated errors
MIN_APART_DEG = 12.0  # the sky turns by a degree in 4 min: clocks wrong by 35 min, unseen at 60 min, turn it by 9
MAX_RESIDUAL_PCT = 6.0  # ours: of the highest power; what one plane leaves more of is none, and tells no angles


def detect(
    site_model: pl.DataFrame, roof_model: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame, day: date
) -> list[Verdict]:
    """A finding to watch per site whose registered planes the last weeks exclude, or whose planes lie turned.

    The value is the angle in degrees between the learned plane and the registered ones, several by their mean.
    """
    roofs = known_roofs(sites, planes)
    texts = dict(planes_text(roofs).iter_rows())
    models = site_model.filter(pl.col("day") <= day).sort("site_id", "day")
    by_site = models.partition_by("site_id", as_dict=True, maintain_order=True)
    turned = _turned(roof_model.filter(pl.col("day") <= day), roofs)
    verdicts: list[Verdict] = []
    for site in sites.sort("site_id").iter_rows(named=True):
        site_id = site["site_id"]
        judged = _judge(site, by_site.get((site_id,)), texts.get(site_id))
        found = None
        if isinstance(judged, pl.DataFrame):
            normal = _mean_normal(roofs.filter(pl.col("site_id") == site_id))
            found = _finding(site_id, judged, normal, day)
        if found is None and site_id in turned:
            found = _finding_of_turn(site_id, turned[site_id], texts[site_id], day)
        if found is not None:
            verdicts.append(found)
        elif isinstance(judged, Reason):
            verdicts.append(NotJudged(site_id, day, DETECTOR, judged))
    return verdicts


def _turned(models: pl.DataFrame, roofs: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Of sites whose planes lie turned by their newest model (ROOF_MODEL) and today's register, all that said so."""
    azimuths = roofs.group_by("site_id", maintain_order=True).agg(turned_from_deg="azimuth_deg")
    newest = models.select("site_id", "day", "turned_from_deg").sort("day").group_by("site_id").last()
    lies_turned = newest.join(azimuths, on=["site_id", "turned_from_deg"], how="semi")
    said = models.join(lies_turned, on=["site_id", "turned_from_deg"], how="semi").sort("site_id", "day")
    return {str(site_id): rows for (site_id,), rows in said.partition_by("site_id", as_dict=True).items()}


def _judge(site: dict[str, Any], models: pl.DataFrame | None, registered: str | None) -> pl.DataFrame | Reason | None:
    """The last models where all of them exclude the register; None where they do not."""
    if registered is None:
        return because(REASONS, "planes-not-registered")
    if site["feed_in_limit_kw"] is not None:
        return because(REASONS, "limit-shapes-days")
    count = 0
    if models is not None:
        usable = models.filter(
            pl.col("registered_text") == registered,
            pl.col("clear_days") >= MIN_CLEAR_DAYS,
            pl.col("log_ratio_morning").is_not_null() & pl.col("log_ratio_afternoon").is_not_null(),
        )
        last = usable.tail(MODELS)
        count = last.height
        if count == MODELS and last["day"][-1] - last["day"][0] >= timedelta(days=SPAN_DAYS):
            lowest = last.select(pl.min_horizontal("log_ratio_morning", "log_ratio_afternoon")).to_series()
            return last if (lowest >= MIN_LOG_RATIO).all() else None
    return because(REASONS, "few-clear-days", models_count=count, needed_count=MODELS)


def _normal(tilt_deg: float, azimuth_deg: float) -> np.ndarray:
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    return np.array([np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth), np.cos(tilt)])


def _mean_normal(roof: pl.DataFrame) -> np.ndarray:
    """The upright of the planes of one site, by their capacities."""
    summed = np.sum([row["kwp"] * _normal(row["tilt_deg"], row["azimuth_deg"]) for row in roof.to_dicts()], axis=0)
    return np.asarray(summed / np.linalg.norm(summed))


def _finding(site_id: str, models: pl.DataFrame, registered: np.ndarray, day: date) -> Finding | None:
    """None where one plane explains the days badly, or lies too near to the registered ones."""
    model = models.row(-1, named=True)
    tilt, tilt_sigma, azimuth, azimuth_sigma, residual = (
        model[name] for name in ("tilt_deg", "tilt_spread_deg", "azimuth_deg", "azimuth_spread_deg", "residual_pct")
    )
    if None in (tilt, tilt_sigma, azimuth, azimuth_sigma, residual) or residual > MAX_RESIDUAL_PCT:
        return None
    own_tilt = float(np.degrees(np.arccos(np.clip(registered[2], -1, 1))))
    own_azimuth = float(np.degrees(np.arctan2(registered[0], registered[1])) % 360)
    turn = abs((azimuth - own_azimuth + 180) % 360 - 180)
    if abs(tilt - own_tilt) < MIN_SIGMAS * tilt_sigma and turn < MIN_SIGMAS * azimuth_sigma:
        return None
    apart = float(np.degrees(np.arccos(np.clip(_normal(tilt, azimuth) @ registered, -1, 1))))
    if apart < MIN_APART_DEG:
        return None
    ratio = min(model["log_ratio_morning"], model["log_ratio_afternoon"])
    learned = f"tilt {tilt:.0f} ± {tilt_sigma:.0f}°, azimuth {azimuth:.0f} ± {azimuth_sigma:.0f}°"
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="watch",
        value=apart,
        unit="deg",
        threshold=MIN_APART_DEG,
        summary=f"Clear days of {models.height} weeks show {learned}; the register has {model['registered_text']}, "
        f"which mornings and afternoons both exclude.",
        measured=f"{learned}, from {model['clear_days']} clear days, {residual:.1f} % of the highest power unexplained",
        expected=f"{model['registered_text']}, as registered (kWp tilt/azimuth)",
        since=models["day"][0],
        evidence={
            "apart_deg": apart,
            "registered_text": model["registered_text"],
            "learned_text": f"tilt {tilt:.0f} +- {tilt_sigma:.0f} degrees, "
            f"azimuth {azimuth:.0f} +- {azimuth_sigma:.0f} degrees, if it is one plane",
            "learned_tilt_deg": tilt,
            "learned_tilt_sigma_deg": tilt_sigma,
            "learned_azimuth_deg": azimuth,
            "learned_azimuth_sigma_deg": azimuth_sigma,
            "least_log_ratio": ratio,
            "clear_days_count": model["clear_days"],
            "unexplained_pct": residual,
        },
        series=_picture(models),
    )


def _finding_of_turn(site_id: str, models: pl.DataFrame, registered: str, day: date) -> Finding:
    """`models` are those by which the planes lay turned, the newest last."""
    turn = models["turn_deg"][-1]
    before = models["turned_from_deg"][-1].to_list()
    azimuths = " and ".join(f"{(one + turn) % 360:.0f}" for one in before)
    way = f"{turn:.0f}" if turn <= 180 else f"{360 - turn:.0f}"
    side = "" if turn == 180 else " clockwise" if turn < 180 else " anticlockwise"
    left = models["turn_left_ratio"][-1]
    seen = models["history_day"][0]  # of a young site: a roof is entered once, so it was so from its first day on
    since = models["day"][0] if seen is None or not len(seen) else seen.min()
    what, lie = ("planes", "lie") if len(before) > 1 else ("plane", "lies")
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="watch",
        value=min(turn, 360 - turn),
        unit="deg",
        threshold=MIN_APART_DEG,
        summary=f"Its {what} {lie} turned by {way}°{side}, towards {azimuths}°, as its days show beside others'; "
        f"the register has {registered}. Its yield is judged as the {what} {lie}.",
        measured=f"azimuth {azimuths}°, tilted as registered, leaves {left:.0%} of what the register does not explain",
        expected=f"{registered}, as registered (kWp tilt/azimuth)",
        since=since,
        evidence={
            "apart_deg": min(turn, 360 - turn),
            "registered_text": registered,
            "learned_text": f"azimuth {azimuths} degrees or near it, tilted as registered",
            "turn_deg": turn,
            "left_ratio": left,
        },
        series=_picture_of_turn(models),
    )


def _picture_of_turn(models: pl.DataFrame) -> tuple[Series, ...]:
    """What the turned planes left unexplained, of what the registered ones did, model by model."""
    drawn = series("left unexplained", "ratio", "measured", models["day"], models["turn_left_ratio"])
    return (drawn, *level("the register's own", "ratio", "limit", 1.0, drawn))


def _picture(models: pl.DataFrame) -> tuple[Series, ...]:
    """How clearly each model excluded the register."""
    drawn = [
        series(name.replace("log_ratio_", "") + "s", "ratio", "measured", models["day"], models[name])
        for name in ("log_ratio_morning", "log_ratio_afternoon")
    ]
    return (*drawn, *level("excluded from here on", "ratio", "limit", MIN_LOG_RATIO, drawn[0]))
