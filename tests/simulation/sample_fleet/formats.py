"""Six kinds of export, as six systems that never spoke to each other would write them.

Each writer takes one kind's rows and yields (path below exports/, bytes), one file per site and day or one per day.
Files of a day carry its date in their name; the same call gives the same bytes.
"""

import csv
import gzip
import io
import json
import zipfile
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import zstandard

from tests.simulation.sample_fleet.rows import Daily, Row
from tests.simulation.sample_fleet.sites import DEVICES, REGIONS, Spec

File = tuple[str, bytes]
FLEET_HEADER = ("plant", "stamp", "pv_w", "in1_w", "in2_w", "house_w", "meter_w", "store_w", "level", "volt")
RESENT = date(2026, 3, 8)  # BIR-02 sends it again two days later
UP_SINCE_S = datetime(2026, 3, 1, tzinfo=UTC).timestamp()
ROLLOVER_KWH = 100_000.0  # of the counters
YIELD_BEFORE_KWH = {"KLI-02": 99_100.0}
ANNEXE_SHARE = 0.18  # of WAT-02's load, behind device B


# -- evening-csv: a file per site and day, semicolons and decimal commas, kW, stamps at the interval's end


def write_evening_csv(fleet: dict[Spec, Daily], days: Iterable[date]) -> Iterator[File]:
    """`SITE_15min_DATE.csv`; two lines before the header, latin-1, feed-in and charging counted positive."""
    wanted = set(days)
    for site, daily in fleet.items():
        for day in sorted(wanted & set(daily)):
            lines = [_evening_line(site, row) for row in daily[day]]
            if (site.site_id, day) == ("BIR-01", date(2026, 3, 18)):
                lines = _damage(lines)
            if (site.site_id, day) == ("BIR-02", RESENT):
                lines = [_halved(line) if 44 <= i < 52 else line for i, line in enumerate(lines)]
            yield f"evening-csv/{site.site_id}_15min_{day}.csv", _evening_text(site, day, lines)
            if (site.site_id, day) == ("BIR-02", date(2026, 3, 10)):
                lines = [_evening_line(site, row) for row in daily[RESENT]]
                yield f"evening-csv/{site.site_id}_15min_{day}_again_{RESENT}.csv", _evening_text(site, RESENT, lines)


def _evening_text(site: Spec, day: date, lines: list[str]) -> bytes:
    head = (
        f"Evening report for {site.site_id}, {day}\nQuarter-hour means\n"
        "Date;Clock;PV (kW);House (kW);Feed-in (kW);Charging (kW);Level (%);Inverter (°C)\n"
    )
    return (head + "".join(line + "\n" for line in lines)).encode("latin-1")


def _evening_line(site: Spec, row: Row) -> str:
    cells = [_comma(row.pv_w / 1000, 3), _comma(row.load_w / 1000, 3), _comma(-row.grid_w / 1000, 3)]
    cells += [_comma(-row.battery_w / 1000, 3), _comma(row.soc_pct, 1)] if site.battery_kwh else ["--", "--"]
    return ";".join([f"{row.wall:%d.%m.%Y}", f"{row.wall:%H:%M}", *cells, _comma(row.inverter_temp_c, 1)])


def _comma(value: float, decimals: int) -> str:
    return _text(value, decimals).replace(".", ",")


def _text(value: float, decimals: int) -> str:
    return f"{round(value, decimals) + 0.0:.{decimals}f}"  # + 0.0: no "-0.0"


def _damage(lines: list[str]) -> list[str]:
    """The faults that DAMAGED names: three rows spoilt, one optional cell."""
    cells = [line.split(";") for line in lines]
    cells[40][2] = "ERR"
    cells[50][0] = "31.02.2026"
    cells[60] = cells[60][:3]
    cells[55][7] = "hot"
    return [";".join(row) for row in cells]


def _halved(line: str) -> str:
    """What was sent first on a day that was corrected later."""
    cells = line.split(";")
    cells[2] = _comma(float(cells[2].replace(",", ".")) / 2, 3)
    return ";".join(cells)


# -- fleet-day: one csv.gz a day for all its sites, stamps with their offset, at the interval's start


def write_fleet_day(fleet: dict[Spec, Daily], days: Iterable[date]) -> Iterator[File]:
    """`fleet_DATE.csv.gz`; W, charging counted positive, the site in a column."""
    for day in days:
        text = io.StringIO()
        out = csv.writer(text, lineterminator="\n")
        out.writerow(FLEET_HEADER)
        for site, daily in fleet.items():
            zone = ZoneInfo(REGIONS[site.region].zone)
            for row in daily.get(day, []):
                stamp = datetime.fromtimestamp(row.start_s, zone).isoformat(timespec="seconds")
                powers = [_text(w, 0) for w in (row.pv_w, *row.inputs_w, row.load_w, row.grid_w)]
                store = [_text(-row.battery_w, 0), _text(row.soc_pct, 0)] if site.battery_kwh else ["", ""]
                out.writerow([site.external_id, stamp, *powers, *store, _text(row.voltage_v, 1)])
        yield f"fleet-day/fleet_{day}.csv.gz", _gz(text.getvalue())


# -- nested-json: a document per site and day, the roof's name outside its records


def write_nested_json(fleet: dict[Spec, Daily], days: Iterable[date]) -> Iterator[File]:
    """`ROOF_DATE.json.zst`; W, feed-in and charging counted positive, the load in two parts, local stamps."""
    wanted = set(days)
    for site, daily in fleet.items():
        for day in sorted(wanted & set(daily)):
            rows = [_nested(row) for row in daily[day]]
            document = {
                "roof": {"id": site.external_id},
                "of_day": {"date": str(day), "intervals": rows},
            }
            raw = json.dumps(document, separators=(",", ":")).encode()
            yield f"nested-json/{site.external_id}_{day}.json.zst", zstandard.ZstdCompressor(level=19).compress(raw)


def _nested(row: Row) -> dict[str, object]:
    light = round(row.load_w * 0.15)
    power = {"pv": round(row.pv_w), "meter": round(-row.grid_w), "store": round(-row.battery_w)}
    use = {"light": light, "sockets": round(row.load_w) - light}
    return {"at": f"{row.wall:%Y-%m-%d %H:%M:%S}", "power": power, "use": use, "level": round(row.soc_pct, 1)}


# -- metric-long: a folder per site, a line per metric, Unix seconds, samples at an instant


def write_metric_long(fleet: dict[Spec, Daily], days: Iterable[date]) -> Iterator[File]:
    """`SITE/YYYYMMDD.csv.gz`; kW, and a metric that nobody maps."""
    wanted = set(days)
    for site, daily in fleet.items():
        for day in sorted(wanted & set(daily)):
            lines = ["epoch,metric,value\n"]
            for row in daily[day]:
                values = {"ac_out": _text(row.pv_w / 1000, 3), "house": _text(row.load_w / 1000, 3)}
                values["meter"] = _text(row.grid_w / 1000, 3)
                if site.battery_kwh:
                    values |= {"store": _text(row.battery_w / 1000, 3), "store_level": _text(row.soc_pct, 1)}
                values["case_c"] = _text(row.inverter_temp_c, 1)
                if row.start_s % 3600 == 0:
                    values["uptime_h"] = str(int((row.start_s - UP_SINCE_S) // 3600))
                lines += [f"{int(row.start_s)},{name},{value}\n" for name, value in values.items()]
            data = _gz("".join(lines))
            if (site.site_id, day) == ("NIR-05", date(2026, 3, 12)):
                data = data[: len(data) * 6 // 10]
            yield f"metric-long/{site.site_id}/{day:%Y%m%d}.csv.gz", data


# -- line-records: one ndjson.gz a day, a record per unit and interval, local stamps at the interval's end


def write_line_records(fleet: dict[Spec, Daily], days: Iterable[date]) -> Iterator[File]:
    """`lines-DATE.ndjson.gz`; W, the project's own signs, a site of two inverters as two units."""
    for day in days:
        lines = []
        for site, daily in fleet.items():
            for unit, row in _units(site, daily.get(day, [])):
                record: dict[str, object] = {"unit": unit, "t": f"{row.wall:%Y-%m-%dT%H:%M:%S}"}
                record |= {"pv": round(row.pv_w), "use": round(row.load_w), "grid": round(row.grid_w)}
                if row.soc_pct >= 0:
                    record |= {"bat": round(row.battery_w), "soc": round(row.soc_pct, 1)}
                elif site.battery_kwh:
                    record["bat"] = 0
                lines.append(json.dumps(record | {"u": round(row.voltage_v, 1)}, separators=(",", ":")) + "\n")
        yield f"line-records/lines-{day}.ndjson.gz", _gz("".join(lines))


def _units(site: Spec, rows: list[Row]) -> Iterator[tuple[str, Row]]:
    """What the exports call a site's units, with their rows; soc_pct -1 = the unit has no battery."""
    if site.site_id not in DEVICES:
        yield from ((site.external_id, row if site.battery_kwh else row._replace(soc_pct=-1.0)) for row in rows)
        return
    (_, first, _), (_, second, _) = DEVICES[site.site_id]
    for row in rows:  # device A: the house with the battery
        use, pv = row.load_w * (1 - ANNEXE_SHARE), row.inputs_w[0]
        grid = row.grid_w - (row.load_w * ANNEXE_SHARE - row.inputs_w[1])
        yield first, row._replace(load_w=use, pv_w=pv, grid_w=grid)
    for row in rows:  # device B: the annexe
        if not row.is_silent_b:
            use, pv = row.load_w * ANNEXE_SHARE, row.inputs_w[1]
            yield second, row._replace(load_w=use, pv_w=pv, grid_w=use - pv, battery_w=0.0, soc_pct=-1.0)


# -- counter-zip: a zip a day, a csv per site, counters instead of generation, UTC at the interval's end


def write_counter_zip(fleet: dict[Spec, Daily], days: Iterable[date]) -> Iterator[File]:
    """`counters_DATE.zip` of `SITE_counters.csv`; kWh since the first day, rolling over at 100000."""
    for day in days:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as out:
            for site, daily in fleet.items():
                if day in daily:
                    member = zipfile.ZipInfo(f"{site.external_id}_counters.csv", (2026, 1, 1, 0, 0, 0))
                    member.external_attr = 0o644 << 16
                    member.compress_type = zipfile.ZIP_DEFLATED
                    out.writestr(member, _counter_text(site, daily[day]), compresslevel=9)
        yield f"counter-zip/counters_{day}.zip", packed.getvalue()


def _counter_text(site: Spec, rows: list[Row]) -> str:
    lines = ["at,yield_kwh,bought_kwh,sold_kwh,house_w,meter_w,store_w,level\n"]
    before = YIELD_BEFORE_KWH.get(site.site_id, 0.0)
    for row in rows:
        end = datetime.fromtimestamp(row.start_s + 900, UTC)
        kwh = [_text((before + row.pv_kwh) % ROLLOVER_KWH, 3), _text(row.import_kwh, 3), _text(row.feed_in_kwh, 3)]
        store = [_text(row.battery_w, 0), _text(row.soc_pct, 1)] if site.battery_kwh else ["", ""]
        lines.append(
            ",".join([f"{end:%Y/%m/%d %H:%M}", *kwh, _text(row.load_w, 0), _text(row.grid_w, 0), *store]) + "\n"
        )
    return "".join(lines)


def stray_file() -> File:
    """A file that no profile matches."""
    start = datetime(2026, 3, 21)  # noqa: DTZ001 - a wall clock without a zone is the point
    lines = [f"{start + timedelta(minutes=i):%H:%M},{i % 7}\n" for i in range(60)]
    return "stray/minutes_2026-03-21.csv", ("minute,count\n" + "".join(lines)).encode()


def _gz(text: str) -> bytes:
    return gzip.compress(text.encode(), 9, mtime=0)


WRITERS = {
    "evening-csv": write_evening_csv,
    "fleet-day": write_fleet_day,
    "nested-json": write_nested_json,
    "metric-long": write_metric_long,
    "line-records": write_line_records,
    "counter-zip": write_counter_zip,
}
