"""Settings: noonmark.toml, all of it optional."""

import re
from collections.abc import Iterator
from typing import Annotated, Any, cast

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, Strict, ValidationError
from pydantic_core import PydanticCustomError

from pipeline.config.addresses import is_address
from pipeline.config.suggestions import zone_remedy
from pipeline.config.toml_file import Problem, known_keys, look_up, model_problems, read_toml, unknown_keys
from pipeline.errors import Fault
from pipeline.timezones.zones import is_zone, zone_names
from pipeline.workspace.places import Workspace

Text = Annotated[str, Strict()]
Whole = Annotated[int, Strict()]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]


def _check_clock(value: Any) -> Any:
    if not isinstance(value, str) or not re.fullmatch(r"([01][0-9]|2[0-3]):[0-5][0-9]", value):
        raise PydanticCustomError("clock", "not a time of day", {"remedy": 'write HH:MM in quotes, as in "06:30"'})
    return value


Clock = Annotated[str, BeforeValidator(_check_clock)]


class Section(BaseModel):
    """Frozen; a key that is not known is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class IngestSettings(Section):
    """Taking exports in."""

    settle_s: Annotated[Number, Field(ge=0, le=86400)] = 60.0  # a file changed within this time waits for the next run
    max_export_mib: Annotated[Whole, Field(gt=0, le=1048576)] = 256  # the largest an export may be when decompressed
    batch_files: Annotated[Whole, Field(gt=0, le=100000)] = 500  # files per transaction


class DetectSettings(Section):
    """Judging days."""

    judge_after_h: Annotated[Number, Field(ge=0, le=240)] = 3.0  # hours after local midnight before a day is judged
    false_alarms_per_site_year: Annotated[Number, Field(gt=0, le=10)] = 0.05  # of the yield detectors together


class ScheduleSettings(Section):
    """The long-running service."""

    ingest_every_min: Annotated[Number, Field(gt=0, le=1440)] = 5.0
    digest_at: Clock = "06:30"
    timezone: Text = "UTC"


class DigestSettings(Section):
    """The morning's page."""

    title: Text = ""
    top: Annotated[Whole, Field(gt=0, le=100000)] = 20  # exceptions shown in full
    url: Text = ""  # where digests/ can be opened, for the link in the mail, such as https://desk.example.org/digests
    rates: dict[str, Annotated[Number, Field(gt=0)]] = {}  # currency -> worth of one unit in a common currency


class MailSettings(Section):
    """Sending the digest; an empty host sends nothing."""

    host: Text = ""
    port: Annotated[Whole, Field(ge=1, le=65535)] = 587
    starttls: Annotated[bool, Strict()] = True
    user: Text = ""
    password_env: Text = "NOONMARK_MAIL_PASSWORD"  # the variable that holds the password; never the password itself
    sender: Text = ""
    recipients: tuple[Text, ...] = ()
    to_installers: Annotated[bool, Strict()] = False  # each installer that has an e-mail gets one of its own sites
    retry_for_min: Annotated[Number, Field(ge=0)] = 240.0  # the schedule tries again for so long, ever more rarely


class ReaderSettings(Section):
    """What analysts open."""

    keep_h: Annotated[Number, Field(ge=0, le=8760)] = (
        48.0  # replaced files stay so long, for sessions that hold them open
    )


class KeepSettings(Section):
    """What stays, counted back from the newest day of readings; archive/ and hourly means stay for ever."""

    readings_days: Annotated[Whole, Field(ge=1, le=36500)] = 400  # older months move to readings/
    evidence_days: Annotated[Whole, Field(ge=1, le=36500)] = 400  # pictures of exceptions that were closed earlier go
    digests_days: Annotated[Whole, Field(ge=1, le=36500)] = 400  # pages of earlier days are removed


class ComputeSettings(Section):
    """Processes that share the work of summing up."""

    workers: Annotated[Whole, Field(ge=1, le=256)] = 1  # processes; 1 = this one alone
    cluster: Text = ""  # the address of a dask.distributed scheduler, such as tcp://10.0.0.5:8786, in their place


class Settings(Section):
    """All settings, with their defaults."""

    ingest: IngestSettings = IngestSettings()
    detect: DetectSettings = DetectSettings()
    schedule: ScheduleSettings = ScheduleSettings()
    digest: DigestSettings = DigestSettings()
    mail: MailSettings = MailSettings()
    reader: ReaderSettings = ReaderSettings()
    keep: KeepSettings = KeepSettings()
    compute: ComputeSettings = ComputeSettings()


def load_settings(workspace: Workspace) -> tuple[Settings, list[Fault]]:
    """The settings and no faults, or the defaults and every fault of noonmark.toml; a missing file is a valid one."""
    if not workspace.settings_file.exists():
        return Settings(), []
    file, faults = read_toml(workspace.settings_file, workspace.settings_file.name)
    if file is None:
        return Settings(), faults
    problems = [*_unknown(file.data), *_check(file.data)]
    try:
        settings = Settings.model_validate(file.data)
    except ValidationError as error:
        problems += model_problems(error, file.data)
    faults = sorted((file.fault(problem) for problem in problems), key=lambda fault: fault.line or 0)
    return (Settings(), faults) if faults else (settings, [])


def _unknown(data: dict[str, Any]) -> Iterator[Problem]:
    yield from unknown_keys(data, known_keys(Settings))
    for name, info in Settings.model_fields.items():
        yield from unknown_keys(data.get(name), known_keys(cast(type[BaseModel], info.annotation)), (name,))


def _check(data: dict[str, Any]) -> Iterator[Problem]:
    """What concerns names and keys that belong together."""
    zone = look_up(data, ("schedule", "timezone"))
    if isinstance(zone, str) and not is_zone(zone):
        remedy = zone_remedy(zone, (), zone_names(), "write an IANA name such as Europe/Vienna")
        yield Problem(("schedule", "timezone"), zone, "unknown zone", remedy)
    for key in ("sender", "recipients"):
        value = look_up(data, ("mail", key))
        if look_up(data, ("mail", "host")) and not value:
            yield Problem(("mail", key), None, f"a mail needs {key}", f"add {key}, or leave host empty")
        for address in value if isinstance(value, list) else [value]:
            if isinstance(address, str) and address and not is_address(address):
                yield Problem(("mail", key), address, "not a mail address", "write one address, as in desk@example.org")
