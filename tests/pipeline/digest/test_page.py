"""The page stands alone, is well formed and accessible, and says what the facts say."""

import csv
import io
import json
import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from pipeline.digest import to_html, to_revisits_csv, to_text, write_digest
from pipeline.frames import REVISITS
from tests.support import digest_facts
from tests.support.digest_facts import finding, morning

VOID = {"meta", "br", "link", "img", "input", "hr"}


class Page(HTMLParser):
    """Tags in order, text outside of style, and whether every tag is closed by its own."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, *names: str) -> list[dict]:
        return [attrs for tag, attrs in self.tags if tag in names]


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
def page(facts):
    return Page(to_html(facts))


def test_every_tag_is_closed(page):
    assert page.open == []


def test_it_stands_alone(facts, page):
    html = to_html(facts)
    assert not page.all("script", "link", "img", "iframe", "object", "base")
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    assert all(attrs["href"].startswith("#") for attrs in page.all("a"))
    assert not re.search(r"url\(|@import|https?:", html)


def test_headings_come_in_order(page):
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_it_can_be_heard(page):
    assert page.all("html")[0]["lang"] == "en"
    assert all("scope" in attrs for attrs in page.all("th"))
    pictures = [a for a in page.all("svg") if a.get("aria-hidden") != "true"]
    identifiers = [a["id"] for _, a in page.tags if "id" in a]
    assert len(identifiers) == len(set(identifiers))
    for picture in pictures:
        assert picture["role"] == "img"
        assert set(picture["aria-labelledby"].split()) <= set(identifiers)
    assert {a["href"][1:] for a in page.all("a")} <= set(identifiers)


def test_one_picture_per_exception_up_to_the_top(facts, page):
    pictures = [a for a in page.all("svg") if a.get("aria-hidden") != "true"]
    assert len(pictures) == min(len(facts.new) + len(facts.still_open), facts.top)


def test_page_text_and_json_agree(facts, page):
    data = json.loads(facts.model_dump_json())
    text = " ".join(to_text(facts).split())
    assert data["headline"] in page.text and data["headline"] in text
    for figure in data["figures"]:
        assert f"{figure['label']} {figure['value']} {figure['note']}" in page.text
        assert f"{figure['value']} {figure['label']} ({figure['note']})" in text
    for matter in data["new"] + data["still_open"] + data["closed"]:
        assert matter["exception_id"] in page.text and matter["exception_id"] in text
        money = f"{matter['cost']['amount']:,.2f} {matter['cost']['currency']}"
        if matter["loss_kwh"]:
            assert money in page.text and money in text


def test_severity_is_told_in_words(page):
    tags = [
        attrs["class"].split()[1] for tag, attrs in page.tags if tag == "span" and "tag " in (attrs.get("class") or "")
    ]
    words = [w.strip() for w in page.words if w.strip() in ("urgent", "soon", "watch")]
    assert all(words.count(severity) >= tags.count(severity) for severity in set(tags))


def test_hostile_names_are_text():
    html = to_html(morning())
    assert "<script" not in html
    assert "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt; &amp;" in html
    assert "inbox/a&lt;b&gt;.csv" in html and "Makes &lt;less&gt;." in html
    assert not re.search("[\u202a-\u202e\x07]", html)


def test_dark_mode_phone_and_paper_are_thought_of():
    html = to_html(morning())
    for rule in ("prefers-color-scheme: dark", "@media print", "max-width: 40rem", 'name="viewport"'):
        assert rule in html


def test_two_thousand_sites_stay_below_two_megabytes():
    rows = [finding(f"S{i}", "underperformance", ago) for i in range(0, 2000, 3) for ago in range(i % 4 + 1)]
    facts = morning(rows, register=digest_facts.sites(2000), days=digest_facts.site_days(2000))
    assert len(to_html(facts).encode()) < 2_000_000
    assert len(facts.model_dump_json().encode()) < 2_000_000


def test_write_digest(tmp_path):
    folder = tmp_path / "digests" / "2026-04-14"
    names = ["digest.html", "digest.json", "digest.txt", "revisits.csv"]
    for facts in (morning([]), morning()):  # the second run replaces the first
        assert sorted(p.name for p in write_digest(folder, facts)) == names
        assert sorted(p.name for p in folder.iterdir()) == names
    assert (folder / "digest.html").read_text(encoding="utf-8") == to_html(morning())
    assert json.loads((folder / "digest.json").read_text(encoding="utf-8"))["day"] == "2026-04-14"
    rows = list(csv.DictReader(io.StringIO((folder / "revisits.csv").read_text(encoding="utf-8"))))
    assert list(rows[0]) == list(REVISITS)
    assert [(r["exception_id"], r["installer_id"], r["since"]) for r in rows] == [
        ("S1-time-zone-wrong-1", "north", "2026-04-01")
    ]


def test_a_failed_write_leaves_what_was_there(tmp_path, monkeypatch):
    write_digest(tmp_path, morning())
    before = (tmp_path / "digest.html").read_bytes()
    monkeypatch.setattr("pathlib.Path.replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        write_digest(tmp_path, morning([]))
    assert (tmp_path / "digest.html").read_bytes() == before
    assert len(list(tmp_path.iterdir())) == 4


def test_the_installers_list_holds_no_formula():
    facts = morning()
    group = facts.revisits[0]
    trap = group.revisits[0].model_copy(update={"steps": "=HYPERLINK(A1)", "diagnosis": "+1 day", "measured": "-3.5"})
    facts = facts.model_copy(update={"revisits": [group.model_copy(update={"revisits": [trap]})]})
    (row,) = csv.DictReader(io.StringIO(to_revisits_csv(facts)))
    assert (row["steps"], row["diagnosis"], row["measured"]) == ("'=HYPERLINK(A1)", "'+1 day", "-3.5")
