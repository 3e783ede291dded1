"""What findings say was lost day by day, and the first day of which each site can be judged."""

from datetime import date

import polars as pl

from pipeline.frames import LOSSES
from pipeline.store.connection import Store


def write(store: Store, day: date, losses: pl.DataFrame) -> None:
    """Replaces what the findings of `day` tell (LOSSES). To be called in a transaction."""
    store.con.execute("DELETE FROM finding_loss WHERE told_on = ?", [day])
    store.insert("finding_loss", losses)


def up_to(store: Store, reported_on: date) -> pl.DataFrame:
    """LOSSES as the findings up to a day tell them: of several that tell of one day, the latest two.

    Two, so that the day before can be looked at from the same rows.
    """
    frame = store.frame(
        """
        SELECT site_id, kind, day, told_on, loss_kwh, cost, basis FROM finding_loss WHERE told_on <= ?
        QUALIFY row_number() OVER (PARTITION BY site_id, kind, day ORDER BY told_on DESC) <= 2
        ORDER BY site_id, kind, day, told_on
        """,
        [reported_on],
    )
    return frame.select(LOSSES.names()).cast(LOSSES)


def first_days(store: Store) -> dict[str, date]:
    """Site -> the first day that could be judged: of its first reading, not before it was commissioned."""
    return dict(
        store.con.execute(
            """
            SELECT d.site_id, min(d.day) FROM site_day AS d JOIN site AS s USING (site_id)
            WHERE d.readings > 0 AND (s.commissioned_on IS NULL OR d.day >= s.commissioned_on)
            GROUP BY d.site_id
            """
        ).fetchall()
    )
