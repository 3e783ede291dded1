"""Where every part of a digest lies, seen from the page that links to it.

`digests/index.html`; `digests/DAY/digest.html`, `sites/SITE.html` and `revisits/ID.html` below the day. Ids are of
letters, digits, `-`, `_` and `.` alone, so that they are file names, anchors and addresses as they stand.
"""

import re
from datetime import date
from typing import NamedTuple


class Links(NamedTuple):
    """Addresses as seen from a page of one day; `up` leads from it to the day's folder."""

    up: str = ""

    def card(self, exception_id: str) -> str:
        return f"{self.up and self.up + 'digest.html'}#{exception_id}"

    def site(self, site_id: str) -> str:
        return f"{self.up}sites/{site_id}.html"

    def sheet(self, exception_id: str) -> str:
        return f"{self.up}revisits/{exception_id}.html"

    def installer(self, name: str) -> str:
        return f"{self.up}revisits/{name}"

    def digest(self) -> str:
        return f"{self.up}digest.html"

    def other_day(self, day: date) -> str:
        return f"{self.up}../{day.isoformat()}/digest.html"

    def all_digests(self) -> str:
        return f"{self.up}../index.html"


HERE = Links()  # from digest.html
BELOW = Links("../")  # from sites/ and revisits/


def installer_file(installer_id: str | None) -> str:
    """The file with all sheets of an installer, below revisits/."""
    return f"installer-{re.sub(r'[^A-Za-z0-9._-]', '_', installer_id or 'none')}.html"


def full(url: str, day: date, exception_id: str = "") -> str:
    """The page's address for a mail, by the settings' [digest] url; empty where none is set."""
    if not url:
        return ""
    return f"{url.rstrip('/')}/{day.isoformat()}/digest.html{'#' + exception_id if exception_id else ''}"
