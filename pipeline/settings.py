"""Settings: noonmark.toml, all of it optional."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, Strict, StringConstraints

Text = Annotated[str, Strict()]
Whole = Annotated[int, Strict()]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Clock = Annotated[str, Strict(), StringConstraints(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")]


class Section(BaseModel):
    """Frozen; a key that is not known is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class IngestSettings(Section):
    """Taking exports in."""

    settle_s: Annotated[Number, Field(ge=0)] = 2.0  # a file that changed within this time waits for the next run
    max_export_mib: Annotated[Whole, Field(gt=0)] = 2048  # the largest an export may be when decompressed
    batch_files: Annotated[Whole, Field(gt=0)] = 500  # files per transaction


class DetectSettings(Section):
    """Judging days."""

    judge_after_h: Annotated[Number, Field(ge=0)] = 3.0  # hours after local midnight before a day is judged


class ScheduleSettings(Section):
    """The long-running service."""

    ingest_every_min: Annotated[Number, Field(gt=0)] = 5.0
    digest_at: Clock = "06:30"
    timezone: Text = "UTC"


class DigestSettings(Section):
    """The morning's page."""

    title: Text = ""
    top: Annotated[Whole, Field(gt=0)] = 20  # matters shown in full


class MailSettings(Section):
    """Sending the digest; an empty host sends nothing."""

    host: Text = ""
    port: Annotated[Whole, Field(ge=1, le=65535)] = 587
    starttls: Annotated[bool, Strict()] = True
    user: Text = ""
    password_env: Text = "NOONMARK_MAIL_PASSWORD"  # the variable that holds the password; never the password itself
    sender: Text = ""
    recipients: tuple[Text, ...] = ()


class ReaderSettings(Section):
    """What analysts open."""

    keep_h: Annotated[Number, Field(ge=0)] = 48.0  # replaced files stay so long, for sessions that hold them open


class Settings(Section):
    """All settings, with their defaults."""

    ingest: IngestSettings = IngestSettings()
    detect: DetectSettings = DetectSettings()
    schedule: ScheduleSettings = ScheduleSettings()
    digest: DigestSettings = DigestSettings()
    mail: MailSettings = MailSettings()
    reader: ReaderSettings = ReaderSettings()
