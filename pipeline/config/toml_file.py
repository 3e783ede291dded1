"""TOML files that a person wrote: their tables, the line of each key, and faults in words."""

import re
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from pipeline.config.suggestions import name_remedy, nearest_name, word_of
from pipeline.errors import Fault

_KEY = r"""(?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')"""
_PATH = rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*"
_HEADER = re.compile(rf"^[ \t]*\[\[?[ \t]*({_PATH})[ \t]*\]")
_ASSIGNMENT = re.compile(rf"^[ \t]*({_PATH})[ \t]*=")
_SYNTAX_PLACE = re.compile(r"^(.*?) \(at (?:line (\d+), column \d+|end of document)\)$")

Path_ = tuple[str | int, ...]


class Problem(NamedTuple):
    """Something wrong at a key, before file and line are known."""

    path: Path_
    value: object  # None = nothing to show
    problem: str
    remedy: str


class TomlFile(NamedTuple):
    """A TOML file that could be read."""

    shown: str  # its path relative to the workspace
    data: dict[str, Any]
    lines: dict[tuple[str, ...], int]  # key path -> 1-based line

    def fault(self, found: Problem) -> Fault:
        """The problem with its file, line and place; a key that isn't written has its table's line."""
        names = tuple(part for part in found.path if isinstance(part, str))
        line = next((self.lines[names[:n]] for n in range(len(names), 0, -1) if names[:n] in self.lines), None)
        return Fault(self.shown, line, self._place(names), _as_written(found.value), found.problem, found.remedy)

    def _place(self, names: tuple[str, ...]) -> str | None:
        if not names:
            return None
        if isinstance(look_up(self.data, names), dict):
            return f"[{'.'.join(names)}]"
        table = f"[{'.'.join(names[:-1])}] " if len(names) > 1 else ""
        return table + names[-1]


def read_toml(path: Path, shown: str) -> tuple[TomlFile | None, list[Fault]]:
    """The file and no faults, or None and why it can't be read."""
    try:
        content = path.read_bytes()
    except OSError as error:
        return None, [Fault(shown, None, None, None, f"cannot be read ({error.strerror})", "check that it can be read")]
    try:
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        return None, [Fault(shown, line, None, None, "not UTF-8", "save the file as UTF-8")]
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = _SYNTAX_PLACE.match(str(error))
        line = int(said[2]) if said and said[2] else text.rstrip("\n").count("\n") + 1
        problem = f"not TOML: {said[1] if said else error}"
        return None, [Fault(shown, line, None, None, problem, "fix the line; texts stand in quotes")]
    return TomlFile(shown, data, key_lines(text)), []


def key_lines(text: str) -> dict[tuple[str, ...], int]:
    """Key path -> line of its first mention; a table's path leads to its header."""
    lines: dict[tuple[str, ...], int] = {}
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.split("\n"), start=1):
        if header := _HEADER.match(line):
            table = _split_path(header[1])
            lines.setdefault(table, number)
        elif key := _ASSIGNMENT.match(line):
            lines.setdefault(table + _split_path(key[1]), number)
    return lines


def _split_path(path: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in re.findall(_KEY, path))


def look_up(data: object, names: Iterable[str | int]) -> Any:
    """What stands at the path, None if nothing does."""
    for name in names:
        if isinstance(name, int):
            data = data[name] if isinstance(data, list) and name < len(data) else None
        else:
            data = data.get(name) if isinstance(data, dict) else None
    return data


def known_keys(model: type[BaseModel]) -> list[str]:
    """The keys that a table of this model may have; `column` is another way to write `columns`."""
    keys = [info.alias or name for name, info in model.model_fields.items()]
    return ["column", *keys] if "columns" in keys else keys


def unknown_keys(table: object, known: Iterable[str], path: Path_ = ()) -> Iterator[Problem]:
    """A problem for each key of the table that is not among the known ones."""
    names = list(known)
    for key in table if isinstance(table, dict) else ():
        if key not in names:
            yield Problem((*path, key), key, "unknown key", name_remedy(key, names, f"known are {', '.join(names)}"))


def model_problems(error: ValidationError, data: object, tables: Iterable[str] = ()) -> Iterator[Problem]:
    """What pydantic found, in words; unknown keys are told by unknown_keys and left out here.

    `tables` names the keys of the top level that are tables.
    """
    for detail in error.errors(include_url=False):
        if detail["type"] == "extra_forbidden":
            continue
        context = detail.get("ctx") or {}
        path = _as_keyed(detail["loc"], data)
        if "key" in context:
            path = (*path, context["key"])
        problem, remedy = _in_words(detail, context)
        if detail["type"] == "missing" and path in [(table,) for table in tables]:
            problem, remedy = "missing table", f"add a table [{path[0]}]"
        shown = None if detail["type"] == "missing" else detail["input"]
        yield Problem(path, shown, problem, remedy)


def _as_keyed(path: Path_, data: object) -> Path_:
    """The path with `column` in place of `columns`, unless the file has the latter."""
    if "columns" not in path or look_up(data, path[: path.index("columns") + 1]) is not None:
        return path
    return tuple("column" if part == "columns" else part for part in path)


def _in_words(detail: ErrorDetails, context: dict[str, Any]) -> tuple[str, str]:
    """Problem and remedy of one of pydantic's findings."""
    plain = {
        "missing": ("missing key", "add it"),
        "string_type": ("not a text", "write it in quotes"),
        "float_type": ("not a number", "write a plain number, without quotes"),
        "finite_number": ("not a finite number", "write a plain number"),
        "int_type": ("not a whole number", "write a whole number, without quotes"),
        "int_from_float": ("not a whole number", "write a whole number"),
        "bool_type": ("neither true nor false", "write true or false, without quotes"),
        "tuple_type": ("not a list", 'write a list, as in ["a", "b"]'),
        "dict_type": ("not a table", "write it as a [table] with keys"),
        "model_type": ("not a table", "write it as a [table] with keys"),
        "too_short": ("empty list", "name at least one"),
        "string_too_short": ("empty text", "write at least one character"),
        "string_too_long": ("text too long", f"write at most {context.get('max_length')} character"),
        "greater_than": ("number too small", f"write a number above {context.get('gt')}"),
        "greater_than_equal": ("number too small", f"write {context.get('ge')} or more"),
        "less_than_equal": ("number too large", f"write {context.get('le')} or less"),
        "less_than": ("number too large", f"write a number below {context.get('lt')}"),
    }
    kind = detail["type"]
    if kind in plain:
        return plain[kind]
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", context["expected"])
        written = str(detail["input"])
        meant = word_of(written, choices) or nearest_name(written, choices)
        quoted = [f'"{choice}"' for choice in ([meant] if meant else choices)]
        return "unknown value", f"write {' or '.join(quoted)}"
    return detail["msg"], context.get("remedy", "fix the value")


def _as_written(value: object) -> str | None:
    """The value about as TOML writes it; None for nothing and for whole tables."""
    if value is None or isinstance(value, dict):
        return None
    if isinstance(value, bool):
        return "true" if value else "false"
    return str(value)
