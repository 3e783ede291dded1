"""The command line, run in this process."""

from pathlib import Path

import pytest

from pipeline.commands.cli import main


class Ran:
    """Exit status and what was printed."""

    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err

    @property
    def errors(self) -> list[str]:
        return [line for line in self.err.splitlines() if line.startswith("noonmark: ")]


class Runner:
    """Runs commands in a workspace."""

    def __init__(self, capsys: pytest.CaptureFixture[str], folder: Path) -> None:
        self.capsys, self.folder = capsys, folder

    def __call__(self, *arguments: str, folder: Path | None = None) -> Ran:
        self.capsys.readouterr()
        status = main(["--workspace", str(folder or self.folder), *arguments])
        said = self.capsys.readouterr()
        assert "Traceback" not in said.err
        return Ran(status, said.out, said.err)
