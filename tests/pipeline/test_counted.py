"""Numbers of things in words."""

import pytest

from pipeline.counted import counted


@pytest.mark.parametrize(("number", "text"), [(0, "0 sites"), (1, "1 site"), (2, "2 sites"), (12000, "12000 sites")])
def test_one_is_singular(number: int, text: str) -> None:
    assert counted(number, "site") == text
