"""README's lists of commands and kinds, made from the program: `python -m tests.readme` writes them anew."""

import re
from pathlib import Path

import typer

import detectors
from pipeline.commands.cli import app
from pipeline.digest import json_facts
from pipeline.register.columns import columns as register_columns

README = Path(__file__).parents[1] / "README.md"


def commands() -> str:
    """A row per command: how it is called, and its first sentence."""
    found = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    rows = []
    for name, command in found.items():
        places = [f"[{p.metavar or str(p.name).upper()}]" for p in command.params if p.param_type_name == "argument"]
        if hasattr(command, "commands"):  # a group: what may follow its name
            places = ["(" + " \\| ".join(command.commands) + ")"]
        said = " ".join((command.help or "").split("\n\n")[0].split())
        rows.append(f"| `noonmark {' '.join([name, *places])}` | {said} |")
    return "\n".join(rows)


def kinds() -> str:
    """A row per kind of finding, in the detectors' order of trust."""
    return "\n".join(
        f"| {kind} | {module.DETECTOR} | {about.title} |"
        for module in detectors.load()
        for kind, about in module.KINDS.items()
    )


def columns() -> str:
    """A row per column of the register's files."""
    return "\n".join(f"| {one.file} | {one.name} | {one.default} | {one.meaning} |" for one in register_columns())


def written_anew(text: str) -> str:
    """The text with its generated lists as they should be."""
    for name, rows in (("commands", commands()), ("kinds", kinds()), ("columns", columns())):
        head, tail = re.escape(f"<!-- {name} -->\n"), re.escape(f"<!-- end {name} -->")
        text = re.sub(
            f"({head}).*?({tail})", lambda found, rows=rows: f"{found[1]}{rows}\n{found[2]}", text, flags=re.DOTALL
        )
    return text


if __name__ == "__main__":
    json_facts.SCHEMA_FILE.write_text(json_facts.schema_text(), encoding="utf-8")
    README.write_text(written_anew(README.read_text(encoding="utf-8")), encoding="utf-8")
