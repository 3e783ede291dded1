"""How long each worked question takes on a year of many sites: `python -m tests.benches.analyst [--sites 1000]`.

The history is made synthetically, by hashes of site and instant, straight into the reader's parts: readings as Parquet
files, all else through the store's tables. Figures are invented and mean nothing; sizes, types and order are real.
"""

import argparse
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from pipeline.detection import resolver
from pipeline.store import Store, answers, parts, questions, reader
from pipeline.store.history import mark_everything_due

FIRST = date(2025, 1, 1)
DAYS = 365
SITES_SQL = """
INSERT INTO site BY NAME
SELECT
    printf('S-%05d', n) AS site_id, 'Invented roof ' || n AS name,
    46 + (n % 40) / 10 AS latitude, 7 + (n % 83) / 20 AS longitude,
    ['Europe/Vienna', 'Europe/Lisbon', 'Asia/Kolkata', 'Australia/Adelaide'][1 + n % 4] AS timezone,
    timezone AS export_timezone, 5.0 + n % 10 AS installed_kwp, 1 AS phases,
    CASE WHEN n % 5 = 0 THEN 0.0 WHEN n % 5 = 1 THEN 5.0 END AS feed_in_limit_kw,
    CASE WHEN n % 3 > 0 THEN 10.0 END AS battery_kwh, 35.0 AS battery_reserve_pct, false AS grid_charging,
    230.0 AS nominal_voltage_v, 50.0 AS nominal_frequency_hz, 0.3 AS import_price, 0.08 AS feed_in_price,
    'EUR' AS currency, 'inst-' || n % 12 AS installer_id, DATE '2025-01-01' AS commissioned_on,
    'profile-' || n % 6 AS profile, printf('S-%05d', n) AS external_id, true AS watched,
    'Street ' || n % 97 || ' ' || n AS address
FROM range($sites) AS t(n)"""
POWERS_SQL = """
    greatest(0, 6000 * sin((hour(stamp) + minute(stamp) / 60 - 6) / 12 * pi()) * (0.3 + rnd / 1430)) AS pv_w,
    300 + rnd AS load_w, round(load_w - pv_w) AS grid_w, round(rnd - 500) AS battery_w, rnd / 10 AS soc_pct,
    round(225 + rnd / 60, 1) AS voltage_l1_v"""
READINGS_SQL = """
SELECT
    e.* EXCLUDE (site_id, ts_utc, ts_local, interval_s, is_instant, pv_w, load_w, grid_w, battery_w, soc_pct,
        voltage_l1_v, export_id, ts_export, clock_shift_min),
    n.site_id, n.stamp AS ts_utc, n.stamp + INTERVAL 1 HOUR AS ts_local, 60 * $step AS interval_s, false AS is_instant,
    n.pv_w, n.load_w, n.grid_w, n.battery_w, n.soc_pct, n.voltage_l1_v,
    1 AS export_id, strftime(n.stamp, '%Y-%m-%d %H:%M') AS ts_export, 0.0 AS clock_shift_min
FROM (
    SELECT site_id, stamp, POWERS FROM (
        SELECT site_id, stamp, CAST(hash(site_id, stamp) % 1000 AS DOUBLE) AS rnd
        FROM site, range(TIMESTAMP '$lo', TIMESTAMP '$hi', to_minutes($step)) AS t(stamp)
    )
) AS n LEFT JOIN 'EMPTY' AS e ON false
ORDER BY n.site_id, n.stamp"""
DAYS_SQL = """
INSERT INTO site_day BY NAME
SELECT
    site_id, CAST(d AS DATE) AS day, 1440 // $step AS readings, 60 * $step AS interval_s,
    90 + rnd / 100 AS coverage_pct,
    90.0 AS pv_coverage_pct, rnd / 30 AS pv_kwh, 5 + rnd / 100 AS load_kwh, rnd / 150 AS import_kwh,
    rnd / 60 AS feed_in_kwh, rnd / 120 AS charge_kwh, rnd / 130 AS discharge_kwh, 35.0 AS soc_min_pct,
    60 + rnd / 20 AS soc_max_pct, 50 + rnd / 100 AS soc_first_pct, rnd / 20 AS discharge_drop_pct,
    rnd / 200 AS discharge_drop_kwh, rnd / 300 AS specific_yield_kwh_per_kwp, 35.0 AS expected_kwh,
    100 * pv_kwh / 35 AS performance_pct
FROM (
    SELECT site_id, d, CAST(hash(site_id, d) % 1000 AS DOUBLE) AS rnd
    FROM site, range(TIMESTAMP '$lo', TIMESTAMP '$hi', INTERVAL 1 DAY) AS t(d)
)"""
HOURS_SQL = """
INSERT INTO feature_site_hour BY NAME
SELECT site_id, CAST(stamp AS DATE) AS day, stamp AS ts_utc, stamp + INTERVAL 1 HOUR AS ts_local, 3600.0 AS covered_s,
    POWERS
FROM (
    SELECT site_id, stamp, CAST(hash(site_id, stamp) % 1000 AS DOUBLE) AS rnd
    FROM site, range(TIMESTAMP '$lo', TIMESTAMP '$hi', INTERVAL 1 HOUR) AS t(stamp)
)"""
VERDICTS_SQL = """
INSERT INTO judged SELECT site_id, day, day + INTERVAL 30 HOUR FROM site_day;
INSERT INTO finding BY NAME
SELECT site_id, day, 'kind-' || hash(site_id) % 20 AS kind, 'soon' AS severity, 1.0 AS value, '%' AS unit,
    1.0 AS threshold, hash(site_id, day) % 9 AS loss_kwh, '{}' AS evidence, 'said' AS summary, 'm' AS measured,
    'e' AS expected, day AS since, hash(day, site_id) % 3 AS cost
FROM site_day WHERE hash(site_id) % 5 = 0;
INSERT INTO not_judged BY NAME
SELECT site_id, day, 'clock' AS detector, 'few days' AS reason, 'few-days' AS code, '{}' AS "values"
FROM site_day WHERE hash(day, site_id) % 4 = 0;
INSERT INTO feature_clock_day SELECT site_id, '', day, hash(day) % 9, 3.0 FROM site_day;
INSERT INTO exception BY NAME
SELECT
    site_id || '-' || k AS exception_id, site_id, 'kind-' || (hash(site_id) + k) % 20 AS kind, 'soon' AS severity,
    CASE WHEN k < 3 THEN 'closed' ELSE 'open' END AS status, DATE '2025-02-01' + CAST(60 * k AS INTEGER) AS opened_on,
    opened_on AS first_day, opened_on + 20 AS last_day, 20 AS days_open, 9.0 AS loss_kwh, 3.0 AS cost,
    'EUR' AS currency, 'said' AS summary, '{}' AS evidence, 0 AS reopened, 9 AS finding_days, 0 AS clear_days,
    'm' AS measured, 'e' AS expected, 'clock' AS detector
FROM site, range(4) AS t(k);
INSERT INTO exception_event BY NAME
SELECT exception_id, n AS event_no, opened_on + 20 * CAST(n AS INTEGER) AS "at", ['opened', 'closed'][n] AS event,
    'detection' AS "by", '' AS note
FROM exception, range(1, 3) AS t(n);
INSERT INTO export_file BY NAME
SELECT n AS export_id, 'f' || n AS path, md5(n::VARCHAR) AS sha256, '' AS named_site, 'profile-' || n % 6 AS profile,
    TIMESTAMPTZ '$lo' + to_minutes(n) AS taken_in_at, 288 AS rows_read, 287 AS rows_stored, 0 AS rows_unchanged,
    0 AS rows_replaced, 1 AS rows_rejected, 0 AS rows_ignored, '' AS archived_as, '' AS notes
FROM range((SELECT count(*) FROM site_day)) AS t(n);
INSERT INTO rejected_row SELECT export_id, 7, 'pv', 'x', 'not a number', 'x;y' FROM export_file"""


def make(folder: Path, sites: int, step_min: int) -> int:
    """How many readings the reader below `folder` holds."""
    last = FIRST + timedelta(days=DAYS)
    span = {"$lo": str(FIRST), "$hi": str(last), "$step": str(step_min), "POWERS": POWERS_SQL}

    def said(sql: str, **more: str) -> str:
        for word, text in ({**span, **{f"${k}": v for k, v in more.items()}}).items():
            sql = sql.replace(word, text)
        return sql

    with Store(folder / "history.duckdb") as store:
        resolver.prepare(store)
        store.con.execute(SITES_SQL.replace("$sites", str(sites)))
        for sql in (DAYS_SQL, HOURS_SQL, VERDICTS_SQL):
            store.con.execute(said(sql))
        target = folder / "reader"
        reader.publish(store, target, keep_h=48)  # gives the parts of no rows, whose columns the readings take
        mark_everything_due(store)
        store.con.execute("DELETE FROM reader_due WHERE relation IN ('reading', 'device_reading')")
        empty = next((target / "reading").glob(f"{parts.EMPTY}*"))
        for lo, hi in _periods(FIRST, last):
            file = f"reading/{lo:%Y-%m-%d}-0.made.parquet"
            query = said(READINGS_SQL, lo=str(lo), hi=str(hi)).replace("EMPTY", str(empty))
            store.con.execute(f"COPY ({query}) TO '{target / file}' (FORMAT parquet, COMPRESSION zstd)")
            period = f"{lo:%Y-%m}" if (hi - lo).days > 1 else str(lo)
            state = (target / file).stat()
            store.con.execute(
                "INSERT INTO reader_part VALUES ('reading', ?, ?, ?, NULL, ?, ?)",
                [period, file, datetime.now(UTC), state.st_size, state.st_mtime_ns],
            )
        reader.publish(store, target, keep_h=48)
    return int(answers.ask(target, "SELECT count(*) FROM reading").rows[0][0])


def _periods(first: date, last: date) -> list[tuple[date, date]]:
    """Months as one part each, the last month's days one by one, as the reader has them."""
    found, day = [], first
    while day < last:
        after = (day.replace(day=1) + timedelta(days=32)).replace(day=1)
        after = after if after < last else day + timedelta(days=1)
        found.append((day, after))
        day = after
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--step-min", type=int, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        start = time.perf_counter()
        count = make(Path(place), asked.sites, asked.step_min)
        size = sum(file.stat().st_size for file in (Path(place) / "reader").rglob("*") if file.is_file())
        print(f"{count / 1e6:.1f} million readings, {size / 1e9:.2f} GB, made in {time.perf_counter() - start:.0f} s")
        print("| question | s | processor s | rows |\n| --- | --- | --- | --- |")
        for name, one in questions.questions().items():
            start, spent = time.perf_counter(), time.process_time()
            folder = Path(place) / "reader"
            found = answers.ask(folder, one.sql, questions.looked_up(folder, one, questions.values(one, {})))
            taken, spent = time.perf_counter() - start, time.process_time() - spent
            print(f"| {name} | {taken:.2f} | {spent:.2f} | {len(found.rows)} |", flush=True)


if __name__ == "__main__":
    main()
