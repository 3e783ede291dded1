"""The register's copy in the history, and what had been agreed before."""

from datetime import date, timedelta

import polars as pl

from detectors.frames import SITES
from pipeline.exceptions.changes import REGISTER
from pipeline.store import verdicts
from pipeline.store.connection import Store
from pipeline.store.history import mark_sites_dirty

SHAPES_NOTHING = (  # of the register: neither site-days nor features of readings hang on these
    "site_id", "name", "export_timezone", "import_price", "feed_in_price", "currency", "installer_id",
    "commissioned_on", "profile", "external_id", "watched", "address", "contact", "phone", "access_note",
)  # fmt: skip
SHAPES_DAYS = tuple(name for name in SITES if name not in SHAPES_NOTHING)
LIMIT = ("feed_in_limit_kw", "feed_in_buffer_w")
EXCEEDED_WITHIN, EXCEEDED_DAYS, EXCEEDED_KWH = 30, 2, 0.2  # ours: days, and a day's regulation and resolution
RATINGS = ("installed_kwp", "inverter_kw")
EXTENDED_DAYS, MISMATCH_DAYS = 14, 60  # ours: judged days without a word against the capacity; days of such words
LEVELS = (
    "import_limit_kw", "battery_reserve_pct", "battery_resume_pct", "battery_backup_floor_pct", "grid_charging",
)  # fmt: skip


def write_register(
    store: Store, sites: pl.DataFrame, planes: pl.DataFrame, devices: pl.DataFrame, installers: pl.DataFrame
) -> list[str]:
    """Sites whose site-days must be summed up anew, because something of the register that shapes them changed.

    What is agreed anew (a limit that is lifted or raised, a battery's levels, an import limit) holds from then on: the
    days before were lived by what held then, and are judged by it whenever they are judged again (`sites_on`). A limit
    that is lowered or entered is a correction where the site had kept to it, as nobody had entered it, and agreed anew
    where it had not. Another capacity holds from then on where nothing had been told against the one before, as modules
    were added or taken away; else it is the correction that was asked for. A place or a plane is a correction.
    """
    given = {"site": sites, "plane": planes, "device": devices, "installer": installers}
    changed_tables = [
        table for table, frame in given.items() if not _is_same(frame, store.frame(f"SELECT * FROM {table}"))
    ]
    if not changed_tables:
        return []
    before = store.sites()
    parts_before = {table: store.frame(f"SELECT * FROM {table} ORDER BY ALL") for table in ("device", "plane")}
    with store.transaction():
        for table in changed_tables:
            store.replace(table, given[table])
        joined = sites.join(before.select("site_id", *SHAPES_DAYS), on="site_id", suffix="_before")
        differs = {name: pl.col(name).ne_missing(pl.col(f"{name}_before")) for name in SHAPES_DAYS}
        is_looser = pl.col("feed_in_limit_kw_before") < pl.col("feed_in_limit_kw").fill_null(float("inf"))
        is_looser = is_looser.fill_null(False)
        is_corrected = pl.any_horizontal(differs.pop(name) for name in LIMIT) & ~is_looser
        exceeded = _exceeding(store, joined.filter(is_corrected))
        is_new = is_looser | (is_corrected & pl.col("site_id").is_in(exceeded))
        is_corrected &= ~is_new
        has_other_size = pl.any_horizontal(differs.pop(name) for name in RATINGS)
        is_extended = has_other_size & pl.col("site_id").is_in(_fitting(store, joined.filter(has_other_size)))
        is_resized = has_other_size & ~is_extended
        is_agreed = pl.any_horizontal(is_new, is_extended, *(differs.pop(name) for name in LEVELS))
        _note_agreed(store, joined.with_columns(is_new=is_new, is_extended=is_extended).filter(is_agreed))
        _correct_limits(store, joined.filter(is_corrected))
        _correct_ratings(store, joined.filter(is_resized))
        changed = set(joined.filter(pl.any_horizontal(is_corrected, is_resized, *differs.values()))["site_id"])
        for table, held in parts_before.items():
            both = pl.concat([store.frame(f"SELECT * FROM {table} ORDER BY ALL"), held])
            differing = both.filter(~pl.struct(pl.all()).is_duplicated())
            changed |= set(differing["site_id"]) & set(before["site_id"])
        if (judged := verdicts.last_judged_day(store)) is not None:
            # What was told of days that are judged anew stays in the history, closed with the next day's verdicts.
            for site_id in sorted(changed):
                verdicts.forget_held(store, site_id, REGISTER)
                verdicts.note_corrected(store, site_id, REGISTER, date.min, judged + timedelta(days=1))
        mark_sites_dirty(store, changed)
    return sorted(changed)


def _exceeding(store: Store, sites: pl.DataFrame) -> list[str]:
    """Of sites whose limit is entered or lowered those that fed in beyond it lately: it did not hold then."""
    asked = sites.select("site_id", "feed_in_limit_kw").drop_nulls()
    if asked.is_empty():
        return []
    with store.offered(asked=asked):
        rows = store.con.execute(
            f"""
            WITH own AS (SELECT site_id, ts_utc, grid_w, interval_s FROM reading_raw SEMI JOIN asked USING (site_id)),
            lasts AS (SELECT site_id, max(ts_utc) AS last_utc FROM own GROUP BY site_id),
            days AS (SELECT site_id, CAST(ts_utc AS DATE) AS day,
                    sum(greatest(-grid_w - 1000 * feed_in_limit_kw, 0) * interval_s) / 3.6e6 AS kwh
                FROM own JOIN asked USING (site_id) JOIN lasts USING (site_id)
                WHERE ts_utc > last_utc - to_days({EXCEEDED_WITHIN}) GROUP BY ALL)
            SELECT site_id FROM days WHERE kwh > {EXCEEDED_KWH} GROUP BY site_id HAVING count(*) >= {EXCEEDED_DAYS}
            """
        ).fetchall()
    return [site_id for (site_id,) in rows]


def _fitting(store: Store, sites: pl.DataFrame) -> list[str]:
    """Of sites whose capacity changes those that it fitted so far, as nothing was told against it for weeks."""
    if sites.is_empty():
        return []
    with store.offered(asked=sites.select("site_id")):
        rows = store.con.execute(
            f"""
            WITH known AS (SELECT site_id, max(day) AS last FROM judged SEMI JOIN asked USING (site_id)
                GROUP BY site_id HAVING count(*) >= {EXTENDED_DAYS})
            SELECT site_id FROM known WHERE NOT EXISTS (SELECT 1 FROM finding AS f WHERE f.site_id = known.site_id
                AND f.kind IN ('capacity-mismatch', 'readings-implausible') AND f.day > last - {MISMATCH_DAYS})
            """
        ).fetchall()
    return [site_id for (site_id,) in rows]


def _note_agreed(store: Store, changed: pl.DataFrame) -> None:
    """Keeps what held at these sites up to their last judged day; a second change before the next one adds nothing."""
    if changed.is_empty():
        return
    limit = [pl.when("is_new").then(f"{name}_before").otherwise(name).alias(name) for name in LIMIT]
    ratings = [pl.when("is_extended").then(f"{name}_before").otherwise(name).alias(name) for name in RATINGS]
    levels = (pl.col(f"{name}_before").alias(name) for name in LEVELS)
    rows = changed.select("site_id", *limit, *levels, *ratings)
    last = store.frame("SELECT site_id, max(day) AS until_day FROM judged GROUP BY site_id")
    known = store.frame("SELECT site_id, until_day FROM agreed_until")
    new = rows.join(last, on="site_id").join(known, on=["site_id", "until_day"], how="anti")
    store.insert("agreed_until", new)


def _correct_limits(store: Store, changed: pl.DataFrame) -> None:
    """A feed-in limit that is corrected was never another one."""
    sets = ", ".join(f"{name} = ?" for name in LIMIT)
    for site_id, *limit in changed.select("site_id", *LIMIT).iter_rows():
        store.con.execute(f"UPDATE agreed_until SET {sets} WHERE site_id = ?", [*limit, site_id])


def _correct_ratings(store: Store, changed: pl.DataFrame) -> None:
    """A capacity that is corrected was not so on the days that kept it; what a roof had before it grew stays."""
    sets = ", ".join(f"{name} = ?" for name in RATINGS)
    was_so = " AND ".join(f"{name} IS NOT DISTINCT FROM ?" for name in RATINGS)
    before = (f"{name}_before" for name in RATINGS)
    for *now_and_then, site_id in changed.select(*RATINGS, *before, "site_id").iter_rows():
        now, then = now_and_then[: len(RATINGS)], now_and_then[len(RATINGS) :]
        store.con.execute(f"UPDATE agreed_until SET {sets} WHERE site_id = ? AND {was_so}", [*now, site_id, *then])


def sites_on(store: Store, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """`sites` (SITES) with what was agreed of each on `day`."""
    held = store.frame(
        "SELECT DISTINCT ON (site_id) * FROM agreed_until WHERE until_day >= ? ORDER BY site_id, until_day", [day]
    )
    if held.is_empty():
        return sites
    joined = sites.join(held, on="site_id", how="left", suffix="_held", maintain_order="left")
    is_held = pl.col("until_day").is_not_null()
    has_size = pl.col("installed_kwp_held").is_not_null()  # null where it was kept before sizes were
    agreed = [
        pl.when(is_held & (has_size if name in RATINGS else True))
        .then(pl.col(f"{name}_held").cast(sites.schema[name]))
        .otherwise(name)
        .alias(name)
        for name in (*LIMIT, *LEVELS, *RATINGS)
    ]
    return joined.with_columns(agreed).select(sites.columns)


def agreement_ends(store: Store) -> set[date]:
    """The days after which something was agreed anew at some site."""
    return {day for (day,) in store.con.execute("SELECT DISTINCT until_day FROM agreed_until").fetchall()}


def _is_same(frame: pl.DataFrame, held: pl.DataFrame) -> bool:
    """Whether the table holds these rows in this order."""
    return set(frame.columns) == set(held.columns) and held.select(frame.columns).cast(frame.schema).equals(frame)


def sites_with_profiles(store: Store) -> pl.DataFrame:
    """SITES of the register's copy, with the profile that a site's exports used last where the register names none."""
    used = store.frame("SELECT site_id, profile AS used FROM site_profile")
    filled = store.sites().join(used, on="site_id", how="left", maintain_order="left")
    return filled.with_columns(pl.coalesce("profile", "used").alias("profile")).select(SITES.names())


def devices(store: Store) -> pl.DataFrame:
    """[site_id, device_id] of the register."""
    return store.frame("SELECT site_id, device_id FROM device")


def timezone(store: Store, site_id: str) -> str:
    """The site's IANA zone."""
    return str(store.value("SELECT timezone FROM site WHERE site_id = ?", [site_id]))


def watched_zones(store: Store) -> dict[str, int]:
    """The IANA zones in which watched sites lie, with how many there are."""
    return dict(store.con.execute("SELECT timezone, count(*) FROM site WHERE watched GROUP BY timezone").fetchall())
