"""A channel that repeats one value for hours while the site goes on living.

A frozen load or voltage looks healthy on every chart with an axis wide enough, and every sum that is made of it is
wrong. Whether a repeated value is natural depends on the channel: its resolution, its usual pauses, and what the
others do meanwhile; `standstill` judges that before the detectors run, and this file tells what it flagged.
"""

from datetime import date

import polars as pl

from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Series, Verdict, because, channel_series

DETECTOR = "readings-frozen"
KIND = "readings-frozen"
RANK = 10
KINDS = {
    KIND: Kind(
        title="A reading stands still",
        makes_unreliable=("readings",),
        close_after=2,
        where="site",
        bring=("clamp meter", "data cable and terminating resistor", "a load of 1 kW"),
        proof="Switch the load of 1 kW on and off: the reading follows both times within two intervals.",
        cause="The link to a meter or sensor is broken and the logger repeats the last value that it got.",
        next_step="Service desk: restart the logger from afar; if the value still stands, send the installer to the "
        "meter or sensor named.",
        steps=(
            "Compare the reading with the meter's or sensor's own display.",
            "Check its data line: plugs, polarity, address, terminating resistor.",
            "Restart the logger and confirm that the reading follows a load of 1 kW or more, or the sun.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "Never open a current transformer's secondary under load unless it is of the voltage-output type.",
        ),
    )
}
REASONS = {
    "low-coverage": "readings of {seen_h:.1f} h only",
}

MIN_SEEN_H = 6.0  # ours: a quarter of a day
PICTURE_MINUTES = 15
ZERO_H = 12.0  # ours: half a day, which holds light and dark
OF_ZERO = "No regulator holds a grid at exactly 0: the meter's link is lost, or the site runs as an island."
HEALED_H = 6.0  # ours: a link that came back within so many hours needs no hands


def detect(
    reading_flags: pl.DataFrame, raw_device_readings: pl.DataFrame, sites: pl.DataFrame, day: date
) -> list[Verdict]:
    """A finding per site with a channel that was flagged as frozen on `day`, in hours since it stands still."""
    seen = raw_device_readings.group_by("site_id", "device_id").agg(seen_h=pl.col("interval_s").sum() / 3600)
    hours = dict(seen.group_by("site_id").agg(pl.col("seen_h").max()).iter_rows())
    frozen = reading_flags.filter((pl.col("flag") == "frozen") & (pl.col("day") == day))
    by_site = {str(site_id): own for (site_id,), own in frozen.partition_by("site_id", as_dict=True).items()}
    verdicts: list[Verdict] = []
    for site_id in sites["site_id"].sort():
        if site_id in by_site:
            verdicts.append(_finding(by_site[site_id], raw_device_readings, day))
        elif site_id not in hours:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "no-readings")))
        elif hours[site_id] < MIN_SEEN_H:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "low-coverage", seen_h=hours[site_id])))
    return verdicts


def _finding(frozen: pl.DataFrame, device_readings: pl.DataFrame, day: date) -> Finding:
    """One finding of a site for all its channels that stand still, the longest first."""
    ordered = frozen.sort("total_h", "device_id", "channel", descending=[True, False, False])
    first = ordered.row(0, named=True)
    names = ordered["channel"].unique(maintain_order=True).to_list()
    whose = f" of device {first['device_id']}" if first["device_id"] else ""
    others = f"; so do {', '.join(names[1:])}" if len(names) > 1 else ""
    stands = f"{first['channel']}{whose} repeats {first['value']:g} for {first['total_h']:.1f} hours"
    is_over = first["total_h"] < HEALED_H and _moves_again(ordered, device_readings)
    stood = ordered.filter((pl.col("channel") == "grid_w") & (pl.col("value") == 0) & (pl.col("total_h") >= ZERO_H))
    zero = "" if stood.is_empty() else f" {OF_ZERO}"
    evidence: dict[str, EvidenceValue] = {"channel_name": ", ".join(names), "device_name": first["device_id"] or None}
    for row in ordered.unique("channel", keep="first", maintain_order=True).iter_rows(named=True):
        name, own_unit = _split(row["channel"])
        evidence[f"{name}_frozen_h"] = row["total_h"]
        evidence[f"{name}_stands_at_{own_unit}"] = row["value"]
        evidence[f"{name}_usual_run_h"] = row["usual_h"]
    return Finding(
        site_id=first["site_id"],
        day=day,
        kind=KIND,
        severity="watch" if is_over else "soon",
        value=first["total_h"],
        unit="h",
        threshold=first["limit"],
        summary=f"{stands}{others}.{zero}" + (" It was over the same day." if is_over else ""),
        measured=stands,
        expected=f"no run of equal values beyond {first['limit']:.1f} hours",
        since=first["since"],
        evidence=evidence,
        series=_picture(device_readings, first),
    )


def _moves_again(frozen: pl.DataFrame, device_readings: pl.DataFrame) -> bool:
    """Whether the day's last readings of all the channels that stood still are others than they stood at."""
    for row in frozen.iter_rows(named=True):
        is_own = (pl.col("site_id") == row["site_id"]) & (pl.col("device_id") == row["device_id"])
        values = device_readings.filter(is_own).sort("ts_utc")[row["channel"]].drop_nulls()
        if values.is_empty() or values[-1] == row["value"]:
            return False
    return True


def _split(channel: str) -> tuple[str, str]:
    """The channel's name and the unit at its end."""
    unit = "w_m2" if channel.endswith("_w_m2") else channel.rpartition("_")[2]
    return channel.removesuffix(f"_{unit}"), unit


def _picture(device_readings: pl.DataFrame, run: dict) -> tuple[Series, ...]:
    course = (
        device_readings.filter((pl.col("site_id") == run["site_id"]) & (pl.col("device_id") == run["device_id"]))
        .group_by(pl.col("ts_utc").dt.truncate(f"{PICTURE_MINUTES}m"))
        .agg(pl.col(run["channel"]).mean())
        .sort("ts_utc")
    )
    return channel_series(course, "ts_utc", run["channel"])
