"""A digest of a part of the fleet: of one installer, kind or region, or without what is only watched."""

from collections.abc import Mapping
from typing import NamedTuple

import polars as pl


class Narrowed(NamedTuple):
    """Which part; None and False leave all in."""

    installer_id: str | None = None
    kind: str | None = None
    region: str | None = None  # as the page names it
    without_watch: bool = False

    @property
    def is_whole(self) -> bool:
        """Whether nothing is left out."""
        return self == WHOLE

    def of_sites(self, sites: pl.DataFrame, regions: Mapping[str, str]) -> pl.DataFrame:
        """The rows of `sites` (SITES) that stand in it; `regions`: site_id -> name of its region."""
        if self.installer_id is not None:
            sites = sites.filter(pl.col("installer_id") == self.installer_id)
        if self.region is not None:
            ids = [site_id for site_id, name in regions.items() if name.casefold() == self.region.casefold()]
            sites = sites.filter(pl.col("site_id").is_in(ids))
        return sites

    def of_exceptions(self, exceptions: pl.DataFrame) -> pl.DataFrame:
        """The rows of `exceptions` (EXCEPTIONS) that stand in it; of sites only those that `of_sites` leaves count."""
        if self.kind is not None:
            exceptions = exceptions.filter(pl.col("kind") == self.kind)
        return exceptions.filter(pl.col("severity") != "watch") if self.without_watch else exceptions

    def sql(self, sites: pl.DataFrame) -> str:
        """The condition, to be set behind others in SQL over `exception`; `sites`: those that `of_sites` left."""
        parts = []
        if self.kind is not None:
            parts.append(f"kind = '{self.kind}'")
        if self.without_watch:
            parts.append("severity <> 'watch'")
        return "".join(f" AND {part}" for part in parts) + self.sql_of_sites(sites)

    def sql_of_sites(self, sites: pl.DataFrame) -> str:
        """The same over any relation of sites."""
        if self.installer_id is None and self.region is None:
            return ""
        quoted = ", ".join("'" + str(site_id).replace("'", "''") + "'" for site_id in sites["site_id"].sort())
        return f" AND site_id IN ({quoted or 'NULL'})"


WHOLE = Narrowed()
