"""Which changes of the register have a site's past days summed up and judged again."""

import pytest

from detectors.frames import PLANES
from pipeline.store import Store, register
from tests.support import build


@pytest.fixture
def write(tmp_path):
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]

        def told(**cells: float | None) -> list[str]:
            rows = {"site_id": "a", "installed_kwp": 8.0} | cells
            return register.write_register(store, build.sites(rows), PLANES.to_frame(), *none)

        yield told


@pytest.mark.parametrize(
    ("before", "after", "is_judged_again"),
    [
        ({"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0}, {}, False),  # lifted, with all that it kept up
        ({"feed_in_limit_kw": 3.0}, {"feed_in_limit_kw": 5.0}, False),  # raised
        ({"feed_in_limit_kw": 5.0}, {"feed_in_limit_kw": 3.0}, True),
        ({}, {"feed_in_limit_kw": 0.0}, True),  # nobody had entered it: the past looked like a fault
        (
            {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0},
            {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 20.0},
            True,
        ),
        ({"feed_in_limit_kw": 0.0}, {"installed_kwp": 9.0}, True),
        ({}, {"installed_kwp": 9.0}, True),
        ({}, {"import_price": 0.4}, False),
    ],
)
def test_a_limit_that_is_lifted_leaves_the_days_that_it_curtailed_as_they_were_judged(
    write, before, after, is_judged_again
):
    write(**before)
    assert write(**after) == (["a"] if is_judged_again else [])
