"""Worked questions to the analyst's database: sql/query/NAME.sql whose first line is its question.

The header says, in comment lines, Question, Reading (how to read the answer) and one Param for each parameter:
`-- Param     top INTEGER = 5: sites of each month`; without a default (`=` and nothing) the query chooses, a default in
brackets is a query of its own, asked first: a span that is given spares the reading of all other months.
"""

import re
from collections.abc import Mapping
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.config.suggestions import name_remedy
from pipeline.errors import RefusedError
from pipeline.store import answers
from pipeline.workspace import resources

HEAD = re.compile(r"^-- (?P<word>[A-Z][a-z]+) +(?P<text>.*)$")
GOES_ON = re.compile(r"^-- {5,}(?P<text>\S.*)$")
PARAM = re.compile(r"^(?P<name>[a-z_]+) (?P<kind>INTEGER|DOUBLE|VARCHAR|DATE) = ?(?P<default>[^:]*): (?P<meaning>.+)$")
READERS: dict[str, Any] = {"INTEGER": int, "DOUBLE": float, "VARCHAR": str, "DATE": date.fromisoformat}
EXAMPLES = {"INTEGER": "a whole number", "DOUBLE": "a number", "VARCHAR": "text", "DATE": "YYYY-MM-DD"}


class Parameter(NamedTuple):
    """What a question may be told."""

    name: str
    kind: str  # INTEGER, DOUBLE, VARCHAR or DATE
    default: str  # as it would be typed; "" = the query chooses; "(...)" = a query
    meaning: str

    @property
    def option(self) -> str:
        return "--" + self.name.replace("_", "-")

    @property
    def is_query(self) -> bool:
        return self.default.startswith("(")


class Question(NamedTuple):
    """One worked question and the query that answers it."""

    name: str  # as it is typed: with hyphens
    question: str
    reading: str
    parameters: tuple[Parameter, ...]
    sql: str  # the file's text


@cache
def questions() -> dict[str, Question]:
    """All worked questions by name; raises RuntimeError for a header that does not say what it must."""
    found = {}
    for file in sorted((resources.folder("sql") / "query").glob("*.sql")):
        text = file.read_text(encoding="utf-8")
        if text.startswith("-- Question"):
            one = _read(file.stem.replace("_", "-"), text)
            found[one.name] = one
    return found


def _read(name: str, text: str) -> Question:
    heads: list[tuple[str, str]] = []
    for line in text.splitlines():
        if head := HEAD.match(line):
            heads.append((head["word"], head["text"]))
        elif heads and (more := GOES_ON.match(line)):
            heads[-1] = (heads[-1][0], f"{heads[-1][1]} {more['text']}")
        else:
            break
    said = dict(heads)
    read = [(param, PARAM.match(param)) for word, param in heads if word == "Param"]
    if bad := [param for param, match in read if match is None] or [
        w for w in ("Question", "Reading") if w not in said
    ]:
        raise RuntimeError(f"sql/query/{name}.sql: its header lacks or misspells {bad[0]}")
    parameters = tuple(
        Parameter(match["name"], match["kind"], match["default"].strip(), match["meaning"])
        for _, match in read
        if match
    )
    return Question(name, said["Question"], said["Reading"], parameters, text)


def question(name: str) -> Question:
    """The question of that name. Raises RefusedError if there is none."""
    known = questions()
    wanted = name.replace("_", "-")
    if wanted not in known:
        remedy = name_remedy(wanted, known, "`noonmark ask` lists them")
        raise RefusedError(f"there is no question {name!r}", "ask", remedy)
    return known[wanted]


def values(asked: Question, given: Mapping[str, str]) -> dict[str, Any]:
    """A value for each of the question's parameters, from what was typed or its default.

    `given`: by the parameter's name. Raises RefusedError for a name that it does not have or a value it cannot take.
    """
    names = [one.name for one in asked.parameters]
    for name in given:
        if name not in names:
            options = ", ".join(one.option for one in asked.parameters) or "no parameters"
            raise RefusedError(f"{asked.name} has no parameter {name!r}", "ask", f"it takes {options}")
    return {one.name: _value(one, given.get(one.name, one.default)) for one in asked.parameters}


def looked_up(folder: Path, asked: Question, chosen: Mapping[str, Any]) -> dict[str, Any]:
    """`chosen` with what the reader's database in `folder` says of the defaults that are queries. Raises QueryError."""
    queries = {one.name: one.default for one in asked.parameters if one.is_query and chosen[one.name] is None}
    return {**chosen, **{name: answers.ask(folder, f"SELECT {query}").rows[0][0] for name, query in queries.items()}}


def _value(one: Parameter, text: str) -> Any:
    if not text or (one.is_query and text == one.default):
        return None
    try:
        return READERS[one.kind](text)
    except ValueError as error:
        raise RefusedError(f"not a value: {text!r}", one.option, f"write {EXAMPLES[one.kind]}") from error


def with_values(asked: Question, chosen: Mapping[str, Any]) -> str:
    """The query with the values written into it, for any other client."""
    queries = {one.name: one.default for one in asked.parameters if one.is_query}

    def literal(match: re.Match[str]) -> str:
        value = chosen.get(match[1], match[0])
        if value is None:
            return queries.get(match[1], "NULL")
        if isinstance(value, date) and not isinstance(value, datetime):
            return f"DATE '{value}'"
        return str(value) if isinstance(value, int | float) else "'" + str(value).replace("'", "''") + "'"

    lines = asked.sql.splitlines()
    body = "\n".join(line if line.startswith("--") else re.sub(r"\$([a-z_]+)", literal, line) for line in lines)
    return body + "\n"
