"""What must hold between the keys of a profile.

Every rule looks at the raw tables, so that all faults are told at once.
"""

import re
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel

from detectors.frames import CHANNELS, COUNTERS
from pipeline.config.suggestions import name_remedy, zone_remedy
from pipeline.config.toml_file import Problem, known_keys, unknown_keys
from pipeline.profiles.model import (
    EPOCH_FORMATS,
    NAMED_FORMATS,
    SUPPORTED_DIRECTIVES,
    Channel,
    CsvFormat,
    ExportProfile,
    JsonFormat,
    Long,
    SiteSource,
    Timestamp,
)
from pipeline.profiles.site_pattern import PatternError, compiled
from pipeline.timezones.zones import is_fixed_offset, is_zone, zone_names

TABLES: dict[str, type[BaseModel]] = {
    "csv": CsvFormat,
    "json": JsonFormat,
    "site": SiteSource,
    "timestamp": Timestamp,
    "long": Long,
}
KEY_OF_SOURCE = {"file name": "pattern", "folder": "pattern", "column": "column", "json path": "path"}
ZONE_WORDS = ("export_timezone", "utc", "in value")
SAME_PART = {  # directives that say the same part of a stamp
    "year": ("%Y", "%y"),
    "month": ("%m", "%b", "%B", "%j"),
    "day": ("%d", "%e", "%j"),
    "hour": ("%H", "%I"),
    "minute": ("%M",),
    "second": ("%S",),
    "fraction": ("%f",),
    "half of the day": ("%p",),
    "offset": ("%z",),
}


def check_profile(data: dict[str, Any]) -> Iterator[Problem]:
    """Every problem that pydantic's look at the shape doesn't tell."""
    for rule in (
        _names,
        _ndjson,
        _json,
        _csv,
        _match,
        _site,
        _stamp_columns,
        _stamp_format,
        _zone,
        _spring_hour,
        _channels,
        _long,
    ):
        yield from rule(data)


def _table(data: dict[str, Any], name: str) -> dict[str, Any]:
    """The table, empty where it is missing or no table."""
    table = data.get(name)
    return table if isinstance(table, dict) else {}


def _columns(table: dict[str, Any]) -> list[str]:
    """The texts of `column` or `columns`."""
    several = table.get("columns")
    found = [table.get("column"), *(several if isinstance(several, list) else ())]
    return [column for column in found if isinstance(column, str)]


def _names(data: dict[str, Any]) -> Iterator[Problem]:
    yield from unknown_keys(data, [key for key in known_keys(ExportProfile) if key not in ("name", "file")])
    for name, model in TABLES.items():
        yield from unknown_keys(data.get(name), known_keys(model), (name,))
    known = (*CHANNELS, *COUNTERS)
    for name, channel in _table(data, "channels").items():
        if name not in known:
            remedy = name_remedy(name, known, f"known are {', '.join(known)}")
            yield Problem(("channels", name), name, "unknown channel", remedy)
        yield from unknown_keys(channel, known_keys(Channel), ("channels", name))


def _ndjson(data: dict[str, Any]) -> Iterator[Problem]:
    if data.get("format") == "ndjson" and "records" in _table(data, "json"):
        value = _table(data, "json")["records"]
        yield Problem(("json", "records"), value, "each line of ndjson is a record", "remove records")


def _json(data: dict[str, Any]) -> Iterator[Problem]:
    table = _table(data, "json")
    fields = table.get("fields")
    if table.get("arrays") is True and not fields:
        yield Problem(("json", "fields"), None, "records that are lists need fields", "name their places in fields")
    if fields and table.get("arrays") is not True:
        yield Problem(("json", "fields"), None, "fields without arrays", "set arrays = true, or remove fields")
    if not isinstance(fields, list):
        return
    for n, name in enumerate(fields):
        if name in fields[:n]:
            yield Problem(("json", "fields"), name, "field named twice", "give each place a name of its own")
    if table.get("arrays") is True:
        for path, column in _row_columns(data):
            if column not in fields:
                remedy = name_remedy(column, (name for name in fields if isinstance(name, str)), "name it in fields")
                yield Problem(path, column, "not among the fields", remedy)


def _row_columns(data: dict[str, Any]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Every column that is looked for in a row, with its place; the metrics of a long export are none."""
    if _table(data, "site").get("from") == "column" and isinstance(data["site"].get("column"), str):
        yield ("site", "column"), data["site"]["column"]
    places: dict[tuple[str, ...], dict[str, Any]] = {("timestamp",): _table(data, "timestamp")}
    if "long" in data:
        for key in ("channel_column", "value_column"):
            if isinstance(_table(data, "long").get(key), str):
                yield ("long", key), data["long"][key]
    else:
        channels = _table(data, "channels")
        places |= {("channels", name): _table(channels, name) for name in channels}
    for path, table in places.items():
        for column in _columns(table):
            yield (*path, "column" if "column" in table else "columns"), column


def _csv(data: dict[str, Any]) -> Iterator[Problem]:
    table = _table(data, "csv")
    delimiter, decimal = table.get("delimiter", ","), table.get("decimal", ".")
    if delimiter == decimal:
        key = "delimiter" if "delimiter" in table else "decimal"
        remedy = 'set delimiter, as in delimiter = ";"'
        yield Problem(("csv", key), delimiter, "delimiter and decimal are the same", remedy)
    elif isinstance(delimiter, str) and len(delimiter) == 1 and (delimiter in '"\n\r' or delimiter.isalnum()):
        yield Problem(
            ("csv", "delimiter"), delimiter, "cannot set cells apart", 'write a sign such as "," ";" or "\\t"'
        )


def _match(data: dict[str, Any]) -> Iterator[Problem]:
    globs = data.get("match")
    for glob in globs if isinstance(globs, list) else ():
        if glob == "":
            yield Problem(("match",), glob, "empty glob", 'write a glob such as "*.csv"')
        elif isinstance(glob, str) and "/" in glob:
            yield Problem(("match",), glob, "glob with a folder", "a glob is tried on the file's name alone")


def _site(data: dict[str, Any]) -> Iterator[Problem]:
    table = _table(data, "site")
    source = table.get("from")
    wanted = KEY_OF_SOURCE.get(source) if isinstance(source, str) else None
    if source == "json path" and data.get("format") == "csv":
        yield Problem(("site", "from"), source, 'json path with format = "csv"', "write column, file name or folder")
    if wanted and not table.get(wanted):
        yield Problem(("site", wanted), table.get(wanted), f'from = "{source}" needs {wanted}', f"add {wanted}")
    for key in ("pattern", "column", "path"):
        if wanted and key in table and key != wanted:
            yield Problem(("site", key), table[key], f'{key} is not for from = "{source}"', "remove it")
    pattern = table.get("pattern")
    if not isinstance(pattern, str):
        return
    try:
        groups = re.compile(pattern).groupindex
    except re.error as error:
        yield Problem(("site", "pattern"), pattern, f"not a regular expression ({error})", "fix the pattern")
        return
    try:
        compiled(pattern)
    except PatternError as error:
        remedy = "write it without look-around and back-references, which can take years on one name"
        yield Problem(("site", "pattern"), pattern, f"not a pattern that ends in bounded time ({error})", remedy)
        return
    if "site" not in groups:
        yield Problem(("site", "pattern"), pattern, "no group named site", "mark the site's part as (?P<site>...)")


def _stamp_columns(data: dict[str, Any]) -> Iterator[Problem]:
    table = _table(data, "timestamp")
    if table.get("format") in EPOCH_FORMATS and len(_columns(table)) > 1:
        yield Problem(("timestamp", "columns"), table["columns"], "an epoch stands in one column", "name one column")


def _stamp_format(data: dict[str, Any]) -> Iterator[Problem]:
    written = _table(data, "timestamp").get("format")
    if not isinstance(written, str) or not written or written in NAMED_FORMATS:
        return
    place = ("timestamp", "format")
    found = re.findall(r"%(?:.|$)", written, re.DOTALL)
    if not found:
        remedy = name_remedy(written, NAMED_FORMATS, 'write a strptime format such as "%d.%m.%Y %H:%M", or iso8601')
        yield Problem(place, written, "no date format", remedy)
        return
    unknown = [directive for directive in found if directive not in SUPPORTED_DIRECTIVES]
    if unknown:
        remedy = f"known are {' '.join(SUPPORTED_DIRECTIVES)}"
        yield Problem(place, written, f"unknown directive {' '.join(unknown)} in", remedy)
        return
    for part, directives in SAME_PART.items():
        if sum(found.count(directive) for directive in directives) > 1:
            yield Problem(place, written, f"{part} twice in", f"write one of {' '.join(directives)}, once")
    yield from _completeness(written, set(found))


def _completeness(written: str, found: set[str]) -> Iterator[Problem]:
    """A format that leaves the date or the hour open, or says the hour in two ways."""
    place = ("timestamp", "format")
    year = found & {"%Y", "%y"}
    day = "%j" in found or (found & {"%m", "%b", "%B"} and found & {"%d", "%e"})
    if not (year and day):
        yield Problem(
            place, written, "no full date in", "name year, month and day; columns = [...] joins several cells"
        )
    if not found & {"%H", "%I"}:
        yield Problem(place, written, "no hour in", "name the hour; columns = [...] joins several cells")
    if "%I" in found and "%p" not in found:
        yield Problem(place, written, "%I without %p in", "add %p, or write %H")
    if "%H" in found and "%p" in found:
        yield Problem(place, written, "24-hour %H beside %p in", "write %I with %p, or %H alone")


def _zone(data: dict[str, Any]) -> Iterator[Problem]:
    table = _table(data, "timestamp")
    form, zone = table.get("format"), table.get("zone")
    place = ("timestamp", "zone")
    has_offset = isinstance(form, str) and form not in NAMED_FORMATS and "%z" in form.replace("%%", "")
    if has_offset and zone != "in value":
        yield Problem(place, zone, "format has %z, zone says otherwise", 'set zone = "in value"')
    if not isinstance(zone, str):
        return
    if zone == "in value":
        if isinstance(form, str) and form not in NAMED_FORMATS and not has_offset:
            yield Problem(place, zone, "format has no offset to read", "add %z to the format, or name the zone")
    elif form in EPOCH_FORMATS:
        if zone.lower() != "utc":
            yield Problem(place, zone, f"{form} counts in UTC, zone says otherwise", 'set zone = "utc"')
    elif zone not in ZONE_WORDS and not is_fixed_offset(zone) and not is_zone(zone):
        words = ", ".join(f'"{word}"' for word in ZONE_WORDS)
        otherwise = f'write {words}, an IANA name, or an offset such as "+05:30"'
        yield Problem(place, zone, "unknown zone", zone_remedy(zone, ZONE_WORDS, zone_names(), otherwise))


def _spring_hour(data: dict[str, Any]) -> Iterator[Problem]:
    table = _table(data, "timestamp")
    zone = table.get("zone", "utc" if table.get("format") in EPOCH_FORMATS else "export_timezone")
    if "spring_hour" not in table or not isinstance(zone, str):
        return
    if zone in ("in value", "utc") or is_fixed_offset(zone):
        problem = f"stamps of zone {zone} know no change of clocks"
        yield Problem(("timestamp", "spring_hour"), table["spring_hour"], problem, "remove spring_hour")


def _channels(data: dict[str, Any]) -> Iterator[Problem]:
    channels = _table(data, "channels")
    if isinstance(data.get("channels"), dict) and not channels:
        yield Problem(("channels",), None, "no channels", "add at least one, as in [channels.pv_w]")
    for name in channels:
        table = _table(channels, name)
        if name in COUNTERS and "counter" not in table:
            remedy = 'add counter = "lifetime" or counter = "daily"'
            yield Problem(("channels", name, "counter"), None, "a counter without its kind", remedy)
        if name in CHANNELS and "counter" in table:
            value = table["counter"]
            yield Problem(("channels", name, "counter"), value, f"{name} is no counter", "remove counter")
        if table.get("scale") == 0 and not isinstance(table.get("scale"), bool):
            yield Problem(
                ("channels", name, "scale"), 0, "a scale that makes every value the same", "write another scale"
            )


def _long(data: dict[str, Any]) -> Iterator[Problem]:
    table = _table(data, "long")
    if table and table.get("channel_column") == table.get("value_column"):
        value = table.get("value_column")
        yield Problem(("long", "value_column"), value, "the same column as channel_column", "name the value's column")
