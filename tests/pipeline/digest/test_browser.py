"""What only a browser can tell: nothing overflows, all text can be read, paper is enough, and no script fails."""

import re
from pathlib import Path

import pytest

from pipeline.digest import rendering, to_html
from pipeline.digest.sheet import all_sheets
from pipeline.digest.site_page import to_site_html
from tests.benches.digest import facts_of
from tests.support import browser, digest_facts
from tests.support.digest_facts import finding, morning

needs_browser = pytest.mark.skipif(
    browser.find() is None, reason="no Chromium on this machine: pages were not looked at"
)
CSS = (Path(rendering.__file__).parent / "templates" / "digest.css").read_text(encoding="utf-8")


def made(name: str) -> str:
    facts = morning()
    if name == "site":
        return to_site_html(facts, digest_facts.site_page(facts, "S1"))
    if name == "sheet":
        return dict(all_sheets(facts))["S1-time-zone-wrong-1.html"]
    if name == "fleet":
        rows = [finding(f"S{i}", "underperformance", i % 2) for i in range(60)]
        return to_html(morning(rows, register=digest_facts.sites(60), days=digest_facts.site_days(60), top=7))
    return to_html(facts)


@pytest.mark.slow
@needs_browser
@pytest.mark.parametrize("is_dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("name", ["morning", "fleet", "site", "sheet"])
def test_nothing_overflows_fails_or_is_hard_to_read(name, is_dark, tmp_path):
    wrong = browser.look(made(name), tmp_path, is_dark=is_dark)
    assert wrong == {str(width): [] for width in browser.WIDTHS}


@pytest.mark.slow
@needs_browser
def test_the_check_finds_what_is_wrong(tmp_path):
    bad = "<p style='width: 900px'>wide</p><p style='color: #aaa'>pale</p><script>nonsense()</script>"
    wrong = browser.look(to_html(morning([])).replace("<main>", f"<main>{bad}", 1), tmp_path)
    assert [any(one.startswith("contrast") for one in wrong[width]) for width in wrong] == [True] * 4
    assert any("overflows" in one for one in wrong["360"]) and not any("overflows" in one for one in wrong["1440"])
    assert any("nonsense" in one for one in wrong["768"])


@pytest.mark.slow
@needs_browser
def test_a_quiet_morning_is_two_pages_of_paper_a_bad_one_six_and_a_sheet_one(tmp_path):
    page = tmp_path / "page.html"
    bad = facts_of(190)
    assert len(bad.exceptions) == 15
    page.write_text(to_html(bad), encoding="utf-8")
    assert browser.pages_printed(page, tmp_path) <= 6
    page.write_text(to_html(morning([])), encoding="utf-8")
    assert browser.pages_printed(page, tmp_path) <= 2
    page.write_text(made("sheet"), encoding="utf-8")
    assert browser.pages_printed(page, tmp_path) == 1


# Contrast of what is no text: WCAG 2.2, 1.4.11 wants 3 to 1 against what lies beside it ----------------------------


def palette(is_dark: bool) -> dict[str, str]:
    block = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)[is_dark]
    return dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6})", block))


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("is_dark", [False, True], ids=["light", "dark"])
def test_cells_of_the_map_stand_out_from_each_other_and_from_the_page(is_dark):
    colours = palette(is_dark)
    for one, other in (("mid", "paper"), ("low", "mid"), ("low", "paper"), ("accent", "paper")):
        assert contrast(colours[one], colours[other]) >= 3, (one, other)
    for ink, cell in (("on-low", "low"), ("on-mid", "mid"), ("ink", "paper"), ("soft", "paper"), ("soft", "quiet")):
        assert contrast(colours[ink], colours[cell]) >= 4.5, (ink, cell)
    for line in ("s0", "s1", "s2", "limit", "ref", "urgent", "soon", "watch"):
        assert contrast(colours[line], colours["card"]) >= 3, line


def test_contrast_is_computed_as_the_standard_says():
    # WCAG 2.2: black on white is 21 to 1; #767676 is 4.54 to 1 on white (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)
