"""A part of the digest says of its part what the whole says of it, and nothing of the rest."""

import duckdb
import pytest

from pipeline.digest import DigestFacts, to_html, to_text
from pipeline.digest.narrowing import Narrowed
from tests.support import digest_facts
from tests.support.digest_facts import DAY, morning


def shown(facts: DigestFacts) -> list[str]:
    return [one.exception_id for one in (*facts.exceptions, *facts.snoozed, *facts.closed)]


@pytest.mark.parametrize(
    ("narrowed", "sites"),
    [
        (Narrowed(), {"S0", "S1", "S2", "S3"}),
        (Narrowed(installer_id="north"), {"S1", "S3"}),
        (Narrowed(kind="underperformance"), {"S2"}),
        (Narrowed(without_watch=True), {"S0", "S1", "S2"}),
        (Narrowed(installer_id="north", without_watch=True), {"S1"}),
        (Narrowed(region="VIENNA"), {"S0", "S1", "S2", "S3"}),
    ],
)
def test_what_is_left_is_as_the_whole_digest_has_it(narrowed: Narrowed, sites: set[str]) -> None:
    whole = {one.exception_id: one for one in (*morning().exceptions, *morning().closed)}
    facts = morning(narrowed=narrowed)
    assert {whole[one].site_id for one in shown(facts)} == sites
    for one in (*facts.exceptions, *facts.closed):
        assert one == whole[one.exception_id]


def test_an_installer_sees_nothing_of_other_sites() -> None:
    facts = morning(narrowed=Narrowed(installer_id="north"))
    assert {row.site_id for row in facts.map.rows} <= {"S1", "S3", "S5"}
    assert {site for group in facts.not_judged for site in group.sites} == {"S3"}
    assert {group.installer_id for group in facts.revisits} <= {"north"}
    for text in (to_text(facts), to_html(facts.model_copy(update={"ingest": facts.ingest.model_copy(
        update={"sites_without_data": []})}))):  # fmt: skip
        assert not any(f"Roof {number}" in text for number in (0, 2, 4))


def test_its_queries_give_its_figures() -> None:
    """The condition is that of the part: one of two installers' sites, and no exception that is only watched."""
    narrowed = Narrowed(installer_id="north", without_watch=True)
    facts = morning(narrowed=narrowed)
    register = digest_facts.sites()
    with duckdb.connect() as con:
        con.register("exception", digest_facts.folded(digest_facts.findings(), register, DAY).exceptions.to_arrow())
        con.register("site", register.to_arrow())
        con.register("site_day", digest_facts.site_days().to_arrow())
        con.register("not_judged", digest_facts.not_judged().to_arrow())
        asked = {figure.label: con.sql(figure.sql).fetchall() for figure in facts.figures}
        assert asked["open in all"] == [(1, 1)]
        assert asked["sites with readings"] == [(2,)]
        assert {row[3] for row in con.sql(facts.not_judged_sql).fetchall()} == {"S3", "S5"}
        assert len(con.sql(facts.map_sql).fetchall()) == 3 * 28
