"""The choice about the missing spring hour in the ledger: kept with its proof, and followed by later short files."""

from pathlib import Path

import duckdb
import pytest

from tests.pipeline.exports.test_spring_hour import export
from tests.support.fleet import PROFILES, Fleet

pytestmark = pytest.mark.usefixtures("no_detectors")

LOCAL = PROFILES["roof"].replace('zone = "utc"', 'zone = "export_timezone"')
SITE = {"site_id": "S1", "latitude": "47.4", "longitude": "8.5", "timezone": "Europe/Zurich"}


def roof(clock: str, first: str, last: str) -> str:
    _, *rows = export(clock, first, last).splitlines()
    return "t,pv,load,v\n" + "".join(f"{t},{pv},400,{v}\n" for t, pv, v in (row.split(",") for row in rows))


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path, [SITE, {**SITE, "site_id": "S2"}], profiles={"roof": LOCAL})


CHOICES = "SELECT path, spring_hour, spring_hour_proof FROM export_file ORDER BY path"


@pytest.mark.slow
@pytest.mark.usefixtures("only_stored")
def test_the_choice_is_kept_with_its_proof_and_followed(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", roof("standard time", "2025-03-22", "2025-04-06"))
    fleet.drop("S2_roof_a.csv", roof("filled", "2025-03-22", "2025-04-06"))
    result = fleet.take_in(is_published=True)
    assert [path for path, _ in result.notes] == ["S1_roof_a.csv", "S2_roof_a.csv"]
    first = fleet.ask(CHOICES)
    assert [(path, choice) for path, choice, _ in first] == [
        ("S1_roof_a.csv", "standard time"),
        ("S2_roof_a.csv", "filled"),
    ]
    assert all(proof.startswith("the sun: ") for *_, proof in first)
    assert [row[-1] for row in fleet.ledger().values()] == [0, 4]
    with duckdb.connect(str(fleet.space.reader / "noonmark.duckdb"), read_only=True) as con:
        assert con.execute(CHOICES).fetchall() == first
        reasons = con.execute("SELECT DISTINCT reason FROM rejected_row").fetchall()
        assert reasons == [("no such local time",)]
    fleet.drop("S1_roof_b.csv", roof("standard time", "2026-03-29", "2026-03-29"))
    fleet.drop("S2_roof_b.csv", roof("filled", "2026-03-29", "2026-03-29"))
    fleet.take_in()
    later = fleet.ask(f"SELECT path, spring_hour, spring_hour_proof FROM ({CHOICES}) WHERE path LIKE '%b.csv'")
    assert [choice for _, choice, _ in later] == ["standard time", "filled"]
    assert all("this site's earlier files" in proof for *_, proof in later)
    before = fleet.history()
    fleet.rebuild()
    assert fleet.history() == before


def test_a_file_that_two_profiles_fit_is_told_with_both_names(fleet: Fleet) -> None:
    by_row = LOCAL.replace(
        'from = "file name"\npattern = "^(?P<site>[A-Za-z0-9]+)_roof"', 'from = "column"\ncolumn = "s"'
    )
    fleet.profile("other", by_row)
    fleet.drop("S1_roof_a.csv", roof("filled", "2025-05-22", "2025-05-22"))
    assert fleet.take_in().needs_person
    assert "profiles other and roof both fit this file" in fleet.reason("S1_roof_a.csv")
