"""What was learned of the roofs: remembered by the day, replaced when a day is judged anew, never read ahead."""

from datetime import date

import polars as pl

from detectors.yields.site_model import MODEL
from pipeline.store import Store, site_model
from tests.support import build


def _rows(day: date, **tilts: float) -> pl.DataFrame:
    return build.frame(MODEL, [{"site_id": site, "day": day, "tilt_deg": tilt} for site, tilt in tilts.items()])


def _known(store: Store, day: date) -> dict[str, float]:
    return dict(site_model.read_before(store, day).select("site_id", "tilt_deg").iter_rows())


def test_a_day_sees_what_earlier_days_learned_and_nothing_later(tmp_path):
    first, second, third = (date(2026, 3, day) for day in (10, 17, 24))
    with Store(tmp_path / "history.duckdb") as store:
        assert site_model.read_before(store, first).schema == MODEL
        site_model.write(store, first, _rows(first, a=30.0, b=10.0))
        site_model.write(store, second, _rows(second, a=31.0))
        assert _known(store, first) == {}
        assert _known(store, second) == {"a": 30.0, "b": 10.0}
        assert _known(store, third) == {"a": 31.0, "b": 10.0}
        # The second day is judged anew, and this time nothing could be learned.
        site_model.write(store, second, _rows(second))
        assert _known(store, third) == {"a": 30.0, "b": 10.0}
