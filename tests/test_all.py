"""No test is lost between the command that leaves the slow ones out and the one that runs them."""

import sys
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
        poll = wait = terminate = lambda _: 0

    monkeypatch.setattr(checks.sys, "argv", ["all.py", *given])
    monkeypatch.setattr(checks.subprocess, "Popen", lambda command, **_: ran.append(command) or Done())
    assert checks.main() == 0
    assert [Path(command[0]).name for command in ran] == programs
    folder, *more = ran[-1][len(checks.CHECKS[-1]) + 1 :]
    assert ran[-1][len(checks.CHECKS[-1])] == "--basetemp" and not Path(folder).exists()
    assert more == of_pytest


def test_the_first_that_fails_decides_and_what_is_said_comes_in_order(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """The second fails at once, while the first goes on; the last would go on for long."""
    texts = {
        "first": "import sys, time; print('one', flush=True); time.sleep(0.3); print('two', file=sys.stderr)",
        "second": "print('three'); raise SystemExit(7)",
        "third": "import time; time.sleep(20)",
    }
    monkeypatch.setattr(checks.sys, "argv", ["all.py"])
    monkeypatch.setattr(checks, "CHECKS", [(sys.executable, "-c", text, name) for name, text in texts.items()])
    assert checks.main() == 7
    said = [line.split()[-1] if line.startswith("==") else line for line in capfd.readouterr().out.split("\n")]
    assert said == ["first", "one", "two", "second", "three", ""]
