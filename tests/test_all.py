"""No test is lost between the command that leaves the slow ones out and the one that runs them."""

import tomllib
from pathlib import Path

import pytest

from tests import all as checks
from tests.support.places import ROOT


def test_continuous_integration_runs_every_test() -> None:
    options = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["pytest"]["ini_options"]
    assert options["addopts"].endswith("-m 'not slow'")
    readme, run = ((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", ".ci/run"))
    assert "-m tests.all\n" in readme
    assert run.rstrip().endswith(
        f'bash -euxo pipefail "$fresh/command"\n"$fresh/venv/bin/python" -m tests.all {checks.SLOW}'
    )


@pytest.mark.parametrize(
    ("given", "programs", "of_pytest"),
    [
        ([], [name for name, *_ in checks.CHECKS], []),
        (["tests/x"], [name for name, *_ in checks.CHECKS], ["tests/x"]),
        ([checks.SLOW, "tests/x"], ["pytest"], ["-m", "slow", "tests/x"]),
    ],
)
def test_the_slow_ones_are_chosen_over_what_leaves_them_out(
    monkeypatch: pytest.MonkeyPatch, given: list[str], programs: list[str], of_pytest: list[str]
) -> None:
    ran: list[list[str]] = []

    class Done:
        returncode = 0

    monkeypatch.setattr(checks.sys, "argv", ["all.py", *given])
    monkeypatch.setattr(checks.subprocess, "run", lambda command, **_: ran.append(command) or Done)
    assert checks.main() == 0
    assert [Path(command[0]).name for command in ran] == programs
    assert ran[-1][len(checks.CHECKS[-1]) :] == of_pytest
