"""A short drill; a long one is `python -m tests.drills.kill_drill --tries 1000`."""

import pytest

from tests.drills.kill_drill import drill


@pytest.mark.slow
def test_a_few_disturbed_runs_end_as_undisturbed_ones() -> None:
    assert drill(2, 20260310, names=["retime"]) == []
