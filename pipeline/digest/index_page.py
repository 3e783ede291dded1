"""digests/index.html: all digests, the newest first."""

import html
import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import NamedTuple

from pipeline.digest.rendering import environment


class Indexed(NamedTuple):
    """One digest in the list."""

    day: date
    headline: str
    urgent: int
    exceptions: int


HEAD_CHARACTERS = 4000  # of a digest's page: what is listed stands in its head, before the styles


def indexed(day: date, page: Path) -> Indexed:
    """What the list says of a digest, read from the head of its page; pages of earlier versions say nothing."""
    with page.open(encoding="utf-8") as file:
        head = file.read(HEAD_CHARACTERS)
    meta = dict(re.findall(r'<meta name="([a-z-]+)" content="([^"]*)">', head))
    urgent, exceptions = (int(meta.get(name, "0")) for name in ("urgent", "exceptions"))
    return Indexed(day, html.unescape(meta.get("description", "")), urgent, exceptions)


def to_index(title: str, digests: Sequence[Indexed]) -> str:
    """The page; `digests` in any order."""
    newest_first = sorted(digests, key=lambda one: one.day, reverse=True)
    return environment().get_template("index.html.j2").render(title=title or "Noonmark digest", digests=newest_first)
