"""`noonmark init`: a workspace that passes the check as it is made."""

import re
import tomllib
from typing import get_args

import pytest
from pydantic import BaseModel

from pipeline.config.settings import Settings
from pipeline.errors import NoonmarkError
from pipeline.ingest.profile_choice import choose_profile
from pipeline.profiles.model import ExportProfile
from pipeline.register.load import SITE_CELLS
from pipeline.runs.check import check_or_refuse
from pipeline.runs.init import make_workspace
from pipeline.workspace.places import Workspace


def test_a_new_workspace_passes_the_check(tmp_path):
    place = Workspace(tmp_path / "firm" / "fleet")
    assert make_workspace(place) == [place.settings_file, place.sites_file, place.profiles / "example.toml"]
    result = check_or_refuse(place)
    assert result.notices == []
    assert (list(result.register.sites), list(result.profiles)) == (["example-1"], ["example"])
    assert not result.register.sites["example-1"].watched
    assert sorted(path.name for path in place.root.iterdir() if path.is_dir()) == [
        "archive", "digests", "inbox", "profiles", "quarantine", "reader",
    ]  # fmt: skip


def test_every_setting_is_written_with_its_default(tmp_path):
    make_workspace(Workspace(tmp_path))
    written = tomllib.loads((tmp_path / "noonmark.toml").read_text(encoding="utf-8"))
    assert Settings.model_validate(written) == Settings()
    assert {name: set(keys) for name, keys in written.items()} == {
        name: set(keys) for name, keys in Settings().model_dump().items()
    }


def test_the_register_has_every_column(tmp_path):
    make_workspace(Workspace(tmp_path))
    assert (tmp_path / "sites.csv").read_text(encoding="utf-8").split("\n")[0].split(",") == list(SITE_CELLS)


def test_the_example_profile_takes_the_file_that_it_speaks_of(tmp_path):
    place = Workspace(tmp_path)
    make_workspace(place)
    result = check_or_refuse(place)
    profile = choose_profile(result.profiles, "example-1_5min_2026-05-31.csv", "", result.register)
    assert profile == result.profiles["example"]
    assert profile.site_in_place("example-1_5min_2026-05-31.csv", "") in result.register.sites
    text = (place.profiles / "example.toml").read_text(encoding="utf-8")
    header = next(line for line in text.split("\n") if line.startswith("#   Time"))
    assert set(profile.cell_columns()) == set(header.removeprefix("#   ").split(profile.csv.delimiter))


def keys_of(model: type[BaseModel]) -> set[str]:
    """The keys of a profile's tables, as the file spells them."""
    found = set()
    for name, field in model.model_fields.items():
        found.add(field.alias or name)
        for part in (field.annotation, *get_args(field.annotation)):
            for inner in (part, *get_args(part)):
                if isinstance(inner, type) and issubclass(inner, BaseModel):
                    found |= keys_of(inner)
    return found - {"name", "file"}  # what the file's place says


def test_every_key_of_a_profile_is_explained(tmp_path):
    make_workspace(Workspace(tmp_path))
    text = (tmp_path / "profiles" / "example.toml").read_text(encoding="utf-8")
    assert {"spring_hour", "pattern", "fields", "counter", "value_column"} < keys_of(ExportProfile)
    assert {key for key in keys_of(ExportProfile) if not re.search(rf"\b{key}\b", text)} == set()


def test_a_register_is_never_written_over(tmp_path):
    (tmp_path / "sites.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(NoonmarkError, match="register"):
        make_workspace(Workspace(tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["sites.csv"]
    assert (tmp_path / "sites.csv").read_text(encoding="utf-8") == "mine"


def test_other_files_stay_as_they_are(tmp_path):
    (tmp_path / "noonmark.toml").write_text("# mine\n", encoding="utf-8")
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "own.toml").write_text("mine", encoding="utf-8")
    assert make_workspace(Workspace(tmp_path)) == [tmp_path / "sites.csv"]
    assert (tmp_path / "noonmark.toml").read_text(encoding="utf-8") == "# mine\n"
    assert [path.name for path in (tmp_path / "profiles").iterdir()] == ["own.toml"]


def test_a_file_in_the_place_of_the_folder(tmp_path):
    (tmp_path / "taken").write_text("", encoding="utf-8")
    with pytest.raises(NoonmarkError, match="cannot be made"):
        make_workspace(Workspace(tmp_path / "taken"))
