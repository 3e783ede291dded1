"""The description of one kind of export, as data: how its cells become channels.

Only the shape is checked here; what concerns two keys at once (a counter without `counter`, `[csv]` beside a JSON
format) is in pipeline/profiles/rules.py, so that a file's faults can all be told at once.
"""

from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, Strict, model_validator
from pydantic_core import PydanticCustomError

from pipeline.profiles.site_pattern import compiled, site_in

COMPRESSION_ENDINGS = (".gz", ".zst")

EPOCH_FORMATS = ("epoch_s", "epoch_ms")
NAMED_FORMATS = ("iso8601", *EPOCH_FORMATS)

# What a strptime format may hold. %b and %B: English month names, in any case; %y: 69-99 is 1969-1999, 00-68 is
# 2000-2068 (POSIX); %f: 1 to 9 digits of a second's fraction; %z: +HHMM, +HH:MM, +HH or Z; %e: a day padded by a blank.
SUPPORTED_DIRECTIVES = ("%Y", "%y", "%m", "%d", "%e", "%H", "%I", "%M", "%S", "%f", "%p", "%b", "%B", "%j", "%z", "%%")

Text = Annotated[str, Strict()]
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Flag = Annotated[bool, Strict()]


class ProfilePart(BaseModel):
    """Frozen; a key that is not known is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_by_name=True, validate_by_alias=True)


class CsvFormat(ProfilePart):
    """How the cells of a text export are set apart."""

    delimiter: Annotated[Text, Field(min_length=1, max_length=1)] = ","
    decimal: Literal[".", ","] = "."
    encoding: Literal["utf-8", "utf-16", "latin-1", "cp1252"] = "utf-8"
    skip_lines: Annotated[int, Strict(), Field(ge=0)] = 0  # lines before the header
    missing: tuple[Text, ...] = ("",)  # cells that mean "not reported"


class JsonFormat(ProfilePart):
    """Where the records of a JSON export are."""

    records: Text | None = None  # dotted path; None = the top level is the list
    arrays: Flag = False  # records are lists, `fields` names their places
    fields: tuple[Text, ...] = ()


class SiteSource(ProfilePart):
    """Where an export says which site it is of."""

    from_: Annotated[Literal["file name", "column", "json path", "folder"], Field(alias="from")]
    pattern: Text | None = None  # regular expression with a group `site`, searched in the name or the folder
    column: Text | None = None
    path: Text | None = None  # dotted, in a record or outside the records


def one_or_several(data: Any) -> Any:
    """`column = "a"` and `columns = ["a", "b"]` as one tuple `columns`."""
    if not isinstance(data, dict) or "column" not in data:
        return data
    if "columns" in data:
        raise PydanticCustomError(
            "both_columns", "column and columns are both given", {"remedy": "keep one of them", "key": "columns"}
        )
    return {key: value for key, value in data.items() if key != "column"} | {"columns": (data["column"],)}


Columns = Annotated[tuple[Annotated[Text, Field(min_length=1)], ...], Field(min_length=1)]


class Timestamp(ProfilePart):
    """How a row says when."""

    columns: Columns  # joined by one space
    format: Annotated[Text, Field(min_length=1)]  # strptime, or one of NAMED_FORMATS
    zone: Text = "export_timezone"  # or "utc", "in value", an IANA name, "+05:30"; epochs: "utc"
    marks: Literal["interval start", "interval end", "instant"] = "interval start"
    interval_min: Annotated[Number, Field(gt=0)] | None = None  # None = taken from the data
    spring_hour: Literal["filled", "standard time"] | None = None  # None = decided by the sun, file by file

    @model_validator(mode="before")
    @classmethod
    def _prepare(cls, data: Any) -> Any:
        data = one_or_several(data)
        if isinstance(data, dict) and "zone" not in data and data.get("format") in EPOCH_FORMATS:
            return data | {"zone": "utc"}
        return data

    @property
    def is_epoch(self) -> bool:
        """Seconds or milliseconds since 1970, which have no zone of their own."""
        return self.format in EPOCH_FORMATS


class Long(ProfilePart):
    """A long export: one row per channel."""

    channel_column: Annotated[Text, Field(min_length=1)]
    value_column: Annotated[Text, Field(min_length=1)]


class Channel(ProfilePart):
    """One channel: the sum of `columns`, times `scale`, plus `offset`."""

    columns: Columns
    scale: Number = 1.0
    offset: Number = 0.0
    counter: Literal["lifetime", "daily"] | None = None  # for the `*_kwh_total` alone, and always there

    @model_validator(mode="before")
    @classmethod
    def _prepare(cls, data: Any) -> Any:
        return one_or_several(data)


class ExportProfile(ProfilePart):
    """One profiles/NAME.toml."""

    name: str
    format: Literal["csv", "json", "ndjson"]
    match: tuple[Text, ...] = ()  # globs on the file's name
    csv: CsvFormat = CsvFormat()
    json_: Annotated[JsonFormat, Field(alias="json")] = JsonFormat()
    site: SiteSource
    timestamp: Timestamp
    long: Long | None = None
    channels: dict[str, Channel]
    file: Path = Path()

    def cell_columns(self) -> tuple[str, ...]:
        """Every column that the profile needs from a row, once each: site, stamp, then channels (or long's two)."""
        wanted = [self.site.column] if self.site.from_ == "column" and self.site.column else []
        wanted += self.timestamp.columns
        if self.long is not None:
            wanted += [self.long.channel_column, self.long.value_column]
        else:
            wanted += [column for channel in self.channels.values() for column in channel.columns]
        return tuple(dict.fromkeys(wanted))

    def counters(self) -> dict[str, str]:
        """Counter channel -> "lifetime" or "daily"."""
        return {name: channel.counter for name, channel in self.channels.items() if channel.counter is not None}

    @cached_property
    def _pattern(self) -> Any:
        return compiled(self.site.pattern) if self.site.pattern else None

    def site_in_place(self, file_name: str, folder: str) -> str | None:
        """What the file's name or folder calls the site; None if it doesn't, or if the rows say it.

        `folder` is relative to the inbox, "" at its top. A compression's ending may be there or not for the pattern.
        """
        if self.site.from_ == "file name":
            places = [without_compression(file_name), file_name]
        elif self.site.from_ == "folder":
            places = [folder.replace("\\", "/").strip("/")]
        else:
            return None
        for place in places:
            if self._pattern is not None and (found := site_in(self._pattern, place)):
                return found
        return None


def without_compression(file_name: str) -> str:
    """The name without a .gz or .zst at its end."""
    for ending in COMPRESSION_ENDINGS:
        if file_name.lower().endswith(ending) and len(file_name) > len(ending):
            return file_name[: -len(ending)]
    return file_name
