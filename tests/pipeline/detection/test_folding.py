"""What is folded from the history is what its tables, read whole, give: also after days were judged anew.

The history is made up: findings, days that were not judged and losses at random, written day by day, some days twice.
"""

import json
import random
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from detectors import detector_names, kinds
from detectors.finding import DOES_NOT_APPLY
from detectors.frames import DAYS
from detectors.losses import BASES
from pipeline.detection import folding
from pipeline.exceptions.fold import fold
from pipeline.frames import DECISIONS, FINDINGS, LOSSES, NOT_JUDGED
from pipeline.store import Store, losses, verdicts
from tests.support import build

START, DAYS_COUNT, SITES = date(2026, 3, 1), 50, ("A", "B", "C")
KINDS = ("underperformance", "string-loss", "clock-step", "clock-drift", "battery-at-floor")


def on(number: int) -> date:
    return START + timedelta(days=number)


@pytest.mark.parametrize("seed", range(4))
def test_the_fold_of_the_history_is_that_of_its_whole_tables(tmp_path, seed):
    chance = random.Random(seed)
    with Store(tmp_path / "history.duckdb") as store:
        store.insert("site", build.sites(*({"site_id": one, "watched": True} for one in SITES)))
        for number in [*range(DAYS_COUNT), *chance.sample(range(DAYS_COUNT), 12)]:
            _judge(store, number, chance)
        for exception_id in folding.fold(store, on(DAYS_COUNT - 1)).now.exceptions["exception_id"].unique():
            action = chance.choice(["acknowledge", "snooze", "close", "close"])
            _decide(store, exception_id, action, chance.randrange(DAYS_COUNT))
        for number in (chance.randrange(20, DAYS_COUNT), DAYS_COUNT - 1):
            folded = folding.fold(store, on(number))
            for day, told in ((on(number - 1), folded.before), (on(number), folded.now)):
                whole = _fold_whole(store, day)
                assert told.exceptions.equals(whole.exceptions)
                assert told.events.equals(whole.events)
        assert {"open", "closed"} <= set(folded.now.exceptions["status"])


def _fold_whole(store: Store, day: date):
    tables = [
        store.frame(f"SELECT * FROM {name}").select(schema.names()).cast(schema)
        for name, schema in (("finding", FINDINGS), ("not_judged", NOT_JUDGED), ("decision", DECISIONS),
                             ("finding_loss", LOSSES))
    ]  # fmt: skip
    findings, not_judged, decisions, lost = tables
    asked = not_judged.filter(~pl.col("code").is_in(DOES_NOT_APPLY))
    judged = store.frame("SELECT site_id, day FROM judged")
    return fold(findings, judged, asked, decisions, store.sites(), kinds(), detector_names(), day=day, losses=lost,
                first_days=losses.first_days(store))  # fmt: skip


def _judge(store: Store, number: int, chance: random.Random) -> None:
    """Writes what a day's judging could have said; said again, it says something else."""
    found, lost, silent = [], [], []
    for site_id in SITES:
        for kind in KINDS:
            if chance.random() < (0.8 if (number // 12) % 2 else 0.03):
                found.append(_finding(site_id, number, kind, chance))
                lost += [
                    (site_id, kind, on(number - ago), on(number), chance.random(), chance.random() - 0.2,
                     chance.choice(BASES)) for ago in range(chance.randrange(10))
                ]  # fmt: skip
            elif chance.random() < 0.1:
                code = chance.choice([*DOES_NOT_APPLY, "no-readings", "readings-unreliable"])
                silent.append((site_id, on(number), detector_names()[kind], "dark", code, "{}"))
    sites = [one for one in SITES if chance.random() < 0.95]
    with store.transaction():
        verdicts.write_verdicts(
            store, on(number), pl.DataFrame(found, schema=FINDINGS), pl.DataFrame(silent, NOT_JUDGED, orient="row"),
            sites, DAYS.to_frame().select("site_id", "day", "expected_kwh", "judged_kwh"),
        )  # fmt: skip
        losses.write(store, on(number), pl.DataFrame(lost, schema=LOSSES, orient="row"))


def _finding(site_id: str, number: int, kind: str, chance: random.Random) -> dict:
    return {
        "site_id": site_id, "day": on(number), "kind": kind, "severity": chance.choice(["urgent", "soon", "watch"]),
        "value": chance.uniform(-9, 9), "unit": "%", "threshold": 1.0, "summary": f"{kind} on day {number}",
        "measured": f"{chance.random():.6f}", "expected": "e", "loss_kwh": 0.0, "cost": 0.0,
        "since": chance.choice([None, on(number - 3), on(number - 30)]),
        "evidence": json.dumps({"of_text": f"{site_id} {number} {chance.random()}"}),
    }  # fmt: skip


def _decide(store: Store, exception_id: str, action: str, number: int) -> None:
    store.con.execute(
        "INSERT INTO decision (decided_at, on_day, exception_id, action, until, note, decided_by) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        [datetime.now(UTC), on(number), exception_id, action, on(number + 5), "seen", "desk"],
    )
