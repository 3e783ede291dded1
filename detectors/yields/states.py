"""The probabilities of the sequential tests, as they are remembered from night to night."""

from datetime import date

import numpy as np
import polars as pl

from detectors.stats.robust import Array
from detectors.stats.rows import last_rows
from detectors.yields import sequential_test
from detectors.yields.sequential_test import BASELINES, DEVIATIONS, PACKED, Prior

STATE = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "part": pl.Int32(),  # 0 = the site's level, 1 to 4 = its inputs
        **PACKED,
    }
)
BLOCK_SITES = 32  # ours: their probabilities, 0.5 MB, and two copies stay in a processor's second cache


def rows_of(state: Array, ids: pl.Series, day: date, part: int) -> pl.DataFrame:
    """STATE rows of the sites `ids` after a day."""
    keys = pl.DataFrame({"site_id": ids}).with_columns(day=pl.lit(day), part=pl.lit(part, pl.Int32))
    return keys.hstack(sequential_test.pack(state)).cast(STATE)


def restored(rows: pl.DataFrame, ids: pl.Series, prior: Prior) -> Array:
    """The newest state of each site; by its `prior` where there is none."""
    found = last_rows(rows).join(
        pl.DataFrame({"site_id": ids}).with_row_index("place"), on="site_id", how="inner", maintain_order="left"
    )
    place = found["place"].to_numpy()
    fresh = np.setdiff1d(np.arange(len(ids)), place)
    state = np.empty((len(ids), len(BASELINES), len(DEVIATIONS)))
    state[place] = sequential_test.unpack(found)
    state[fresh] = sequential_test.start(prior._replace(sigma=prior.sigma[fresh]))
    return state
