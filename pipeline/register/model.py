"""The register as models: sites, their planes of modules, their devices, and who installed them."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Any, NamedTuple

import polars as pl
from pydantic import BaseModel, ConfigDict, model_validator

from detectors.frames import PLANES, SITES
from pipeline.frames import TARGETS


class RegisterRow(BaseModel):
    """Frozen; a column that is not known is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Site(RegisterRow):
    """One row of sites.csv; None = not known, or not applicable."""

    site_id: str
    name: str
    latitude: float
    longitude: float
    timezone: str  # where the site stands
    export_timezone: str  # what was entered in the system that writes its exports; default: timezone
    installed_kwp: float
    tilt_deg: float | None = None
    azimuth_deg: float | None = None  # clockwise from north, 0 <= azimuth < 360
    inverter_kw: float | None = None
    phases: int = 1
    feed_in_limit_kw: float | None = None  # None = no limit, 0 = may not feed the grid
    feed_in_buffer_w: float | None = None
    import_limit_kw: float | None = None
    battery_kwh: float | None = None  # None = no battery
    battery_reserve_pct: float | None = None
    battery_resume_pct: float | None = None
    battery_backup_floor_pct: float | None = None
    grid_charging: bool = False
    nominal_voltage_v: float = 230.0
    nominal_frequency_hz: float = 50.0
    import_price: float = 0.30
    feed_in_price: float = 0.08
    currency: str = "EUR"
    installer_id: str | None = None
    commissioned_on: date | None = None
    profile: str | None = None  # None = found by the profile's `match`
    external_id: str  # what the export calls the site; default: site_id
    watched: bool = True
    address: str | None = None  # like the next three for the installer's sheet
    contact: str | None = None
    phone: str | None = None
    access_note: str | None = None

    @model_validator(mode="before")
    @classmethod
    def _own_names(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        data = dict(data)
        for column, source in (("export_timezone", "timezone"), ("external_id", "site_id")):
            if not data.get(column) and source in data:
                data[column] = data[source]
        return data


class Plane(RegisterRow):
    """One row of arrays.csv: modules that look the same way."""

    site_id: str
    kwp: float
    tilt_deg: float
    azimuth_deg: float


class Device(RegisterRow):
    """One row of devices.csv: an inverter with exports of its own."""

    site_id: str
    device_id: str
    external_id: str  # default: device_id
    inverter_kw: float | None = None

    @model_validator(mode="before")
    @classmethod
    def _own_name(cls, data: Any) -> Any:
        if isinstance(data, dict) and not data.get("external_id") and "device_id" in data:
            return data | {"external_id": data["device_id"]}
        return data


class Installer(RegisterRow):
    """One row of installers.csv."""

    installer_id: str
    name: str = ""
    email: str = ""


class Target(NamedTuple):
    """A site, or one of its devices, under the name that exports use for it."""

    external_id: str
    site: Site
    device_id: str


@dataclass(frozen=True)
class Register:
    """Everything that is known of the fleet from its files."""

    sites: dict[str, Site] = field(default_factory=dict)
    planes: list[Plane] = field(default_factory=list)
    devices: list[Device] = field(default_factory=list)
    installers: dict[str, Installer] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)  # site_id -> its line in sites.csv

    def frame(self) -> pl.DataFrame:
        """SITES, in the register's order."""
        return pl.DataFrame([site.model_dump() for site in self.sites.values()], schema=SITES, orient="row")

    def planes_frame(self) -> pl.DataFrame:
        """PLANES as arrays.csv has them."""
        return pl.DataFrame([plane.model_dump() for plane in self.planes], schema=PLANES, orient="row")

    def targets(self, profile_name: str) -> pl.DataFrame:
        """TARGETS that an export of this profile may speak of: sites with this profile, or without one of their own."""
        rows = [
            (
                target.external_id,
                target.site.site_id,
                target.device_id,
                target.site.export_timezone,
                target.site.timezone,
                target.site.commissioned_on,
                target.site.latitude,
                target.site.longitude,
            )
            for target in self.all_targets
            if target.site.profile in (None, "", profile_name)
        ]
        return pl.DataFrame(rows, schema=TARGETS, orient="row")

    def is_own(self, external_id: str, profile_name: str) -> bool:
        """Whether a site that names this profile itself goes by that name in exports."""
        return external_id in self._names_by_profile.get(profile_name, ())

    def is_target(self, external_id: str, profile_name: str) -> bool:
        """Whether an export of this profile that says so would be of a registered site."""
        return self.is_own(external_id, profile_name) or external_id in self._names_by_profile.get(None, ())

    def has_targets(self, profile_name: str) -> bool:
        """Whether exports of this profile may be of any site at all."""
        return bool(self._names_by_profile.get(profile_name) or self._names_by_profile.get(None))

    @cached_property
    def _names_by_profile(self) -> dict[str | None, set[str]]:
        names: dict[str | None, set[str]] = {}
        for external_id, site, _ in self.all_targets:
            names.setdefault(site.profile or None, set()).add(external_id)
        return names

    @cached_property
    def all_targets(self) -> tuple[Target, ...]:
        """Each site, or each device of a site that has devices, with the name that exports use."""
        return tuple(self._targets())

    def _targets(self) -> Iterator[Target]:
        devices: dict[str, list[Device]] = {}
        for device in self.devices:
            devices.setdefault(device.site_id, []).append(device)
        for site in self.sites.values():
            if site.site_id not in devices:
                yield Target(site.external_id, site, "")
            for device in devices.get(site.site_id, []):
                yield Target(device.external_id, site, device.device_id)
