"""Pages as tests read them: parsed by the standard's algorithm, with every fault that it names."""

import re
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote, urlsplit
from xml.etree.ElementTree import Element

import html5lib

XHTML = "{http://www.w3.org/1999/xhtml}"


def parsed(html: str) -> Element:
    """The document; AssertionError with every fault of its HTML (WHATWG's parser)."""
    parser = html5lib.HTMLParser(strict=False)
    document = parser.parse(html)
    faults = [f"{place}: {code} {values}" for place, code, values in parser.errors]
    assert not faults, faults
    return document


def all_of(document: Element, *names: str) -> list[Element]:
    return [one for one in document.iter() if str(one.tag).removeprefix(XHTML) in names]


def text_of(document: Element) -> str:
    """What is read, on one line; styles, scripts and the head aside."""
    parts: list[str] = []

    def walk(one: Element) -> None:
        if str(one.tag).split("}")[-1] not in ("style", "script", "head"):
            parts.append(one.text or "")
            for child in one:
                walk(child)
                parts.append(child.tail or "")

    walk(document)
    return " ".join(" ".join(parts).split())


def check_headings(document: Element) -> None:
    """One h1, first, and no level left out on the way down."""
    levels = [int(str(one.tag)[-1]) for one in all_of(document, *(f"h{i}" for i in range(1, 7)))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def check_accessible(document: Element) -> None:
    """A language, scopes of table headings, ids once, and a name for every picture."""
    assert all_of(document, "html")[0].get("lang") == "en"
    assert all(one.get("scope") for one in all_of(document, "th"))
    ids = [one.get("id") for one in document.iter() if one.get("id")]
    assert len(ids) == len(set(ids)), [one for one in ids if ids.count(one) > 1]
    for picture in document.iter("{http://www.w3.org/2000/svg}svg"):
        if picture.get("aria-hidden") != "true":
            assert picture.get("role") == "img"
            assert set(str(picture.get("aria-labelledby")).split()) <= set(ids)


def check_alone(html: str, document: Element) -> None:
    """Nothing is fetched, nothing is an event handler."""
    assert not all_of(document, "link", "img", "iframe", "object", "base")
    assert all(one.get("src") is None for one in all_of(document, "script"))
    assert not any(str(name).startswith("on") for one in document.iter() for name in one.attrib)
    assert not re.search(r"url\(|@import|https?:", html)


def broken_links(folder: Path) -> list[str]:
    """Of all pages below `folder`: links to a file or an anchor that is not there."""
    documents = {page.resolve(): parsed(page.read_text(encoding="utf-8")) for page in folder.rglob("*.html")}
    anchors = {
        page: {one.get("id") for one in document.iter() if one.get("id")} for page, document in documents.items()
    }
    broken = []
    for page, document in documents.items():
        for link in all_of(document, "a"):
            parts = urlsplit(str(link.get("href")))
            target = (page.parent / unquote(parts.path)).resolve() if parts.path else page
            is_there = target.exists() and (not parts.fragment or parts.fragment in anchors.get(target, ()))
            if parts.scheme or not is_there:
                broken.append(f"{page.relative_to(folder.resolve())}: {link.get('href')}")
    return broken
