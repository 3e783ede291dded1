"""A cycle a calendar day, whatever the zone's clock does: changes of Europe/Vienna and of Lord Howe (half an hour).

The instants are those of the IANA database: Vienna leaves 02:00-03:00 out on 2026-03-29 and shows it twice on
2026-10-25; Lord Howe leaves 02:00-02:30 out on 2026-10-04 and shows 01:30-02:00 twice on 2026-04-05.
"""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.runs.mornings import EachMorning, last_morning, morning_of, next_morning

VIENNA, LORD_HOWE = "Europe/Vienna", "Australia/Lord_Howe"


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("day", "at", "zone", "instant"),
    [
        (date(2026, 3, 28), "02:30", VIENNA, "2026-03-28T01:30"),
        (date(2026, 3, 29), "02:30", VIENNA, "2026-03-29T01:30"),  # left out: 03:30 by the new clock
        (date(2026, 10, 25), "02:30", VIENNA, "2026-10-25T00:30"),  # shown twice: the first
        (date(2026, 10, 4), "02:10", LORD_HOWE, "2026-10-03T15:40"),  # left out: 02:40 by the new clock, UTC + 11
        (date(2026, 4, 5), "01:45", LORD_HOWE, "2026-04-04T14:45"),  # shown twice: the first, UTC + 11
    ],
)
def test_each_day_has_one_instant(day: date, at: str, zone: str, instant: str) -> None:
    assert morning_of(day, at, zone) == utc(instant)


@pytest.mark.parametrize("at", ["00:00", "01:45", "02:10", "02:30", "03:00", "06:30", "23:59"])
@pytest.mark.parametrize("zone", [VIENNA, LORD_HOWE])
def test_a_year_has_as_many_mornings_as_days(at: str, zone: str) -> None:
    trigger, now = EachMorning(at, zone), utc("2025-12-31T11:00")
    fired: list[datetime] = []
    while not fired or fired[-1] < utc("2026-12-30T11:00"):
        fired.append(trigger.get_next_fire_time(fired[-1] if fired else None, now))
    days = [round((later - earlier) / timedelta(hours=1), 1) for earlier, later in pairwise(fired)]
    assert len(fired) == len(set(fired)) == 365
    assert set(days) <= {22.5, 23.0, 23.5, 24.0, 24.5, 25.0}


@given(
    st.integers(1_577_836_800, 1_893_456_000),  # 2020 to 2030
    st.sampled_from([VIENNA, LORD_HOWE]),
)
def test_next_and_last_agree(epoch_s: int, zone: str) -> None:
    instant = datetime.fromtimestamp(epoch_s, UTC)
    last, following = last_morning(instant, "02:10", zone), next_morning(instant, "02:10", zone)
    assert last <= instant < following
    assert next_morning(last, "02:10", zone) == following and last_morning(following, "02:10", zone) == following
