"""A short run; a long one is `python -m tests.drills.fuzz --count 10000`."""

import pytest

from tests.drills.fuzz import fuzz


@pytest.mark.slow
def test_damaged_exports_of_every_form_are_taken_in_or_set_aside() -> None:
    assert fuzz(60, 414, is_summed_up=False) == []
