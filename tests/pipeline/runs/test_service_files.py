"""What `init --service` prints can be used as it is."""

import configparser
import json
import shlex
from pathlib import Path

import pytest
from apscheduler.triggers.cron import CronTrigger

from pipeline.commands.cli import main
from pipeline.runs.service_files import service_files
from pipeline.workspace.places import Workspace


def test_they_name_the_workspace_and_its_schedule(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    root = tmp_path / "desk"
    root.mkdir()
    (root / "noonmark.toml").write_text('[schedule]\ndigest_at = "05:07"\ntimezone = "Asia/Kathmandu"\n')
    assert main(["-w", str(root), "init", "--service", "--json"]) == 0
    files = json.loads(capsys.readouterr().out)
    assert files == service_files(Workspace(root)) and sorted(path.name for path in root.iterdir()) == ["noonmark.toml"]
    unit = configparser.ConfigParser(interpolation=None, strict=False)
    unit.read_string(files["noonmark.service"])
    assert shlex.split(unit["Service"]["ExecStart"])[1:] == ["--workspace", str(root), "schedule"]
    assert unit["Service"]["KillSignal"] == "SIGTERM" and unit["Service"]["ReadWritePaths"] == str(root)
    lines = [line for line in files["crontab"].splitlines() if line[0] in "*0123456789"]
    for line in lines:
        CronTrigger.from_crontab(" ".join(line.split()[:5]))  # raises for what is no crontab
    assert (
        lines[1].startswith("7 5 * * *  ")
        and lines[1].endswith(" cycle")
        and "CRON_TZ=Asia/Kathmandu" in files["crontab"]
    )
    assert f"-v {root}:/desk" in files["Containerfile"]
    assert main(["-w", str(root), "init", "--service"]) == 0
    assert capsys.readouterr().out.count("-----") == 3


def test_a_path_with_spaces_and_percent_signs_is_one_word() -> None:
    files = service_files(Workspace(Path("/srv/100 % sun")))
    assert 'ReadWritePaths="/srv/100 %% sun"' in files["noonmark.service"]
    assert "--workspace '/srv/100 \\% sun' ingest" in files["crontab"]
