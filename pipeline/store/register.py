"""The register's copy in the history."""

import polars as pl

from detectors.frames import SITES
from pipeline.store.connection import Store
from pipeline.store.history import mark_sites_dirty

SHAPES_NOTHING = (  # of the register: neither site-days nor features of readings hang on these
    "site_id", "name", "export_timezone", "import_price", "feed_in_price", "currency", "installer_id",
    "commissioned_on", "profile", "external_id", "watched",
)  # fmt: skip
SHAPES_DAYS = tuple(name for name in SITES if name not in SHAPES_NOTHING)
LIMIT = ("feed_in_limit_kw", "feed_in_buffer_w")


def write_register(
    store: Store, sites: pl.DataFrame, planes: pl.DataFrame, devices: pl.DataFrame, installers: pl.DataFrame
) -> list[str]:
    """Sites whose site-days must be summed up anew, because something of the register that shapes them changed.

    A feed-in limit that is lifted or raised holds from then on: the days before were curtailed by the one that was.
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
        differs = {name: pl.col(name).ne_missing(pl.col(f"{name}_before")) for name in SHAPES_DAYS}
        is_looser = pl.col("feed_in_limit_kw_before") < pl.col("feed_in_limit_kw").fill_null(float("inf"))
        of_limit = pl.any_horizontal(differs.pop(name) for name in LIMIT) & ~is_looser.fill_null(False)
        joined = sites.join(before.select("site_id", *SHAPES_DAYS), on="site_id", suffix="_before")
        changed = set(joined.filter(pl.any_horizontal(of_limit, *differs.values()))["site_id"])
        for table, held in parts_before.items():
            both = pl.concat([store.frame(f"SELECT * FROM {table} ORDER BY ALL"), held])
            differing = both.filter(~pl.struct(pl.all()).is_duplicated())
            changed |= set(differing["site_id"]) & set(before["site_id"])
        mark_sites_dirty(store, changed)
    return sorted(changed)


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
