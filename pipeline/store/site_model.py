"""What the yield detectors learned of each roof, remembered from day to day."""

from datetime import date

import polars as pl

from detectors.yields.site_model import MODEL
from pipeline.store import Store


def read_before(store: Store, day: date) -> pl.DataFrame:
    """The newest MODEL row of each site that is older than `day`: what was known when that day was judged."""
    return store.frame(
        f"""
        SELECT {", ".join(MODEL.names())} FROM site_model WHERE day < ?
        QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY day DESC) = 1 ORDER BY site_id
        """,
        [day],
    ).cast(MODEL)


def write(store: Store, day: date, learned: pl.DataFrame) -> None:
    """Replaces what was learned as of `day`; what later days learned waits until they are judged anew."""
    with store.transaction():
        store.con.execute("DELETE FROM site_model WHERE day = ?", [day])
        store.insert("site_model", learned.select(MODEL.names()))
