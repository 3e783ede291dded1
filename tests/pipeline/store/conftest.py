"""A published day, made once per module, and a copy of it for each test that asks for one."""

import pytest

from tests.support.fleet import Fleet
from tests.support.published import published_day
from tests.support.snapshot import Snapshot


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    return published_day(tmp_path_factory.mktemp("published") / "desk")


@pytest.fixture
def fleet(published: Snapshot) -> Fleet:
    """To do with as one likes."""
    return Fleet.of(published.restored())
