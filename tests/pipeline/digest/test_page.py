"""The page stands alone, is well formed and accessible, and says what the facts say."""

import json
import re
from datetime import date, timedelta

import polars as pl
import pytest

from pipeline import digest
from pipeline.digest import link_forward, to_html, to_text, write_digest, write_index
from pipeline.digest.page import FIRST, first_today
from pipeline.digest.site_page import to_site_html
from tests.support import digest_facts, pages
from tests.support.digest_facts import DAY, finding, morning


@pytest.fixture(scope="module", params=["morning", "quiet", "fleet"])
def facts(request):
    if request.param == "morning":
        return morning()
    if request.param == "quiet":
        return morning(
            [], ingest={}, not_judged=digest_facts.not_judged().clear(), days=digest_facts.site_days().clear()
        )
    rows = [finding(f"S{i}", "underperformance", i % 2) for i in range(60)]
    return morning(rows, register=digest_facts.sites(60), days=digest_facts.site_days(60), top=7)


@pytest.fixture(scope="module")
def html(facts):
    return to_html(facts)


@pytest.fixture(scope="module")
def page(html):
    return pages.parsed(html)


def test_it_stands_alone_and_can_be_heard(html, page):
    pages.check_alone(html, page)
    pages.check_headings(page)
    pages.check_accessible(page)


def test_only_a_long_list_brings_a_script_and_without_it_all_is_there(facts, page):
    assert bool(pages.all_of(page, "script")) == (len(facts.exceptions) > 12)
    shown = pages.text_of(page)
    assert all(one.site_name in shown for one in facts.exceptions)


def test_every_exception_has_its_address(facts, page):
    ids = {one.get("id") for one in page.iter() if one.get("id")}
    assert {one.exception_id for one in facts.exceptions} <= ids
    linked = {str(one.get("href")) for one in pages.all_of(page, "a")}
    assert {f"#{one.exception_id}" for one in facts.exceptions if one.has_card} <= linked
    assert {f"sites/{one.site_id}.html" for one in facts.exceptions} <= linked
    assert {f"revisits/{r.exception_id}.html" for group in facts.revisits for r in group.revisits} <= linked


def test_the_table_at_the_top_holds_every_urgent_one_and_the_costliest():
    rows = [
        *(finding(f"S{i}", "underperformance", 0, severity="urgent") for i in range(20)),
        *(finding(f"S{i}", "underperformance", 0) for i in range(20, 40)),
    ]
    facts = morning(rows, register=digest_facts.sites(60))
    assert [one.severity for one in first_today(facts.exceptions)] == ["urgent"] * 19  # S5 is not watched
    assert len(first_today(facts.exceptions[10:])) == FIRST


def test_page_text_and_json_agree(facts, page):
    data = json.loads(facts.model_dump_json())
    shown, text = pages.text_of(page), " ".join(to_text(facts).split())
    assert data["headline"] in shown and data["headline"] in text
    for figure in data["figures"]:
        assert f"{figure['label']} {figure['value']} {figure['note']}" in shown
        assert f"{figure['value']} {figure['label']} ({figure['note']})" in text
    for one in data["exceptions"]:
        assert one["exception_id"] in text
        for money in (one["loss"]["per_day"],):
            said = f"{money['amount']:,.2f} {money['currency']}"
            assert not money["amount"] or (said in shown and said in text)


def test_severity_is_told_in_words(page):
    tags = [one for one in pages.all_of(page, "span") if "tag" in str(one.get("class")).split()]
    assert all(one.text == str(one.get("class")).split()[1] for one in tags)


def test_hostile_names_are_text():
    html = to_html(morning())
    assert "<script" not in html
    assert "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp;" in html
    assert "inbox/a&lt;b&gt;.csv" in html and "Makes &lt;less&gt;." in html
    assert not re.search("[\u202a-\u202e\x07]", html)


@pytest.mark.parametrize(("alone", "is_told"), [([], True), (["S1"], False)])
def test_italics_are_explained_where_a_site_is_set_against_its_region(alone, is_told):
    """S1 has no expectation; 700 km from all others it is set against nobody either."""
    longitude = pl.when(pl.col("site_id").is_in(alone)).then(26.0).otherwise(16.0)
    html = to_html(morning(register=digest_facts.sites().with_columns(longitude=longitude, latitude=pl.lit(48.0))))
    assert ("In italics" in html) is is_told


def test_what_is_new_among_the_not_judged_is_told_by_name_and_no_detector_is_named():
    facts = morning(not_judged_before=digest_facts.not_judged().filter(digest_facts.pl.col("site_id") != "S2"))
    shown = pages.text_of(pages.parsed(to_html(facts))).split("Not judged, and why")[1]
    assert "New today Roof 2 : the yield was not judged; readings cover 54 % of the day." in shown
    assert "As before Readings cover 9.5 to 12 % of the day: the clock, the yield at Roof 3; Roof 4 ." in shown


def test_a_thousand_sites_with_eighty_exceptions_stay_below_a_megabyte():
    at = [str(DAY - timedelta(days=i)) for i in range(120)]
    values = [float(i % 17) for i in range(120)]
    drawn = [
        {"name": name, "unit": "kWh", "role": role, "at": at, "values": values}
        for name, role in (("made", "measured"), ("due", "expected"))
    ]
    rows = [finding(f"S{i}", "underperformance", 0, evidence={"series": drawn}) for i in range(0, 960, 12)]
    facts = morning(rows, register=digest_facts.sites(1000), days=digest_facts.site_days(1000))
    assert len(facts.exceptions) == 80
    html = to_html(facts)
    assert len(html.encode()) < 1_000_000
    assert html.count('<article class="card') == 20


def written(folder, **options):
    """Two days' digests, as the second is written after the first."""
    first = morning(next_day=DAY, **options).model_copy(update={"day": DAY - timedelta(days=1)})
    for facts in (first, morning(previous_day=first.day, **options)):
        write_digest(folder / facts.day.isoformat(), facts, [digest_facts.site_page(facts, f"S{i}") for i in range(6)])
    return write_index(folder, "")


def test_every_link_resolves(tmp_path):
    written(tmp_path)
    assert pages.broken_links(tmp_path) == []
    # The check can fail: a page that is gone is missed by the map, by tables and by cards.
    (tmp_path / DAY.isoformat() / "sites" / "S0.html").unlink()
    assert any(f"{DAY}/digest.html: sites/S0.html" in one for one in pages.broken_links(tmp_path))


def test_a_link_forward_that_was_cut_short_is_made_by_the_next_run(tmp_path, monkeypatch):
    before = DAY - timedelta(days=1)
    write_digest(tmp_path / str(before), morning().model_copy(update={"day": before}))
    page = tmp_path / str(before) / "digest.html"
    write = digest.replace_file

    def killed(path, content):
        if killed.left == 0:
            raise KeyboardInterrupt
        killed.left -= 1
        write(path, content)

    for killed.left in (0, 1):
        monkeypatch.setattr(digest, "replace_file", killed)
        with pytest.raises(KeyboardInterrupt):
            link_forward(tmp_path, before, DAY)
        monkeypatch.undo()
    link_forward(tmp_path, before, DAY)
    assert f"../{DAY}/digest.html" in page.read_text(encoding="utf-8")
    assert json.loads(page.with_name("digest.json").read_text(encoding="utf-8"))["next_day"] == str(DAY)


def test_every_page_is_valid_alone_and_accessible(tmp_path):
    written(tmp_path)
    found = sorted(tmp_path.rglob("*.html"))
    assert {one.parent.name for one in found} == {tmp_path.name, str(DAY), "2026-04-13", "sites", "revisits"}
    for path in found:
        html = path.read_text(encoding="utf-8")
        document = pages.parsed(html)
        pages.check_alone(html, document)
        pages.check_headings(document)
        pages.check_accessible(document)


def test_the_index_lists_the_newest_first(tmp_path):
    index = written(tmp_path).read_text(encoding="utf-8")
    assert index.index("14 April 2026") < index.index("13 April 2026")
    assert "Urgent: Roof 0 (feeds in)" in pages.text_of(pages.parsed(index))


def test_what_a_digest_does_not_have_any_more_is_taken_away(tmp_path):
    folder = tmp_path / "2026-04-14"
    write_digest(folder, morning(), [digest_facts.site_page(morning(), "S0")])
    assert (folder / "revisits" / "S1-time-zone-wrong-1.html").exists()
    write_digest(folder, morning([]))
    assert sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()) == [
        "digest.html", "digest.json", "digest.txt", "revisits.csv", "revisits.ics",
    ]  # fmt: skip
    assert (folder / "digest.html").read_text(encoding="utf-8") == to_html(morning([]))
    assert json.loads((folder / "digest.json").read_text(encoding="utf-8"))["day"] == "2026-04-14"


def test_a_failed_write_leaves_what_was_there(tmp_path, monkeypatch):
    write_digest(tmp_path, morning())
    before = (tmp_path / "digest.html").read_bytes()
    monkeypatch.setattr("pathlib.Path.replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        write_digest(tmp_path, morning())
    assert (tmp_path / "digest.html").read_bytes() == before
    assert not list(tmp_path.rglob("*.unfinished"))


def test_a_site_page_shows_what_is_known_and_its_history():
    facts = morning()
    html = to_site_html(facts, digest_facts.site_page(facts, "S1"))
    shown = pages.text_of(pages.parsed(html))
    assert "Installed 5 kWp" in shown and "Clock off" in shown
    assert "Friday 10 April 2026: opened, time-zone-wrong" in shown
    assert html.count('<svg class="pic"') == 4  # energy, clock, powers, state of charge
    assert date(2026, 4, 10) == facts.exceptions[1].opened_on
