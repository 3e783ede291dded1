"""The whole workspace's faults and notices at once."""

from pathlib import Path

import pytest

from pipeline.errors import InvalidInputError
from pipeline.runs.check import check, check_or_refuse
from pipeline.workspace.places import Workspace

SITES = "site_id,name,latitude,longitude,timezone,installed_kwp,profile"
PROFILE = """
format = "csv"
match = ["*.csv"]
[site]
from = "folder"
pattern = "(?P<site>.+)"
[timestamp]
column = "t"
format = "iso8601"
[channels.pv_w]
column = "p"
"""


def workspace(root: Path, sites: list[str], **profiles: str) -> Workspace:
    (root / "profiles").mkdir(exist_ok=True)
    (root / "sites.csv").write_text("\n".join(sites) + "\n", encoding="utf-8")
    for name, text in profiles.items():
        (root / "profiles" / f"{name}.toml").write_text(text, encoding="utf-8")
    return Workspace(root)


def test_a_healthy_workspace(tmp_path):
    result = check_or_refuse(
        workspace(tmp_path, [SITES, "A,a,47,8,Europe/Zurich,5,day", "B,b,47,8,Europe/Zurich,5,"], day=PROFILE)
    )
    assert (list(result.register.sites), list(result.profiles), result.notices) == (["A", "B"], ["day"], [])


def test_faults_of_every_file_at_once_and_nothing_changed(tmp_path):
    place = workspace(tmp_path, [SITES, "A,a,47,8,Europe/Zurich,0,dya"], day=PROFILE, bad=PROFILE.replace("pv_w", "pv"))
    (tmp_path / "noonmark.toml").write_text("[ingest]\nx = 1\n", encoding="utf-8")
    (tmp_path / "arrays.csv").write_text("site_id,kwp\n", encoding="utf-8")
    before = sorted((path, path.read_bytes()) for path in tmp_path.rglob("*") if path.is_file())
    with pytest.raises(InvalidInputError) as refused:
        check_or_refuse(place)
    assert [(fault.file, fault.line, fault.column, fault.value) for fault in refused.value.faults] == [
        ("noonmark.toml", 2, "[ingest] x", "x"),
        ("sites.csv", 2, "installed_kwp", "0"),
        ("arrays.csv", 1, "tilt_deg", None),
        ("arrays.csv", 1, "azimuth_deg", None),
        ("sites.csv", 2, "profile", "dya"),
        ("profiles/bad.toml", 10, "[channels.pv]", "pv"),
    ]
    assert refused.value.faults[4].remedy == "write day"
    assert refused.value.exit_status == 2
    assert before == sorted((path, path.read_bytes()) for path in tmp_path.rglob("*") if path.is_file())


def test_a_profile_with_faults_of_its_own_is_not_unknown(tmp_path):
    faults = check(
        workspace(tmp_path, [SITES, "A,a,47,8,Europe/Zurich,5,day"], day=PROFILE.replace("pv_w", "pv"))
    ).faults
    assert [fault.file for fault in faults] == ["profiles/day.toml"]


@pytest.mark.parametrize(
    ("profile", "site_profile", "is_valid"),
    [
        (PROFILE, "", True),
        (PROFILE.replace('"*.csv"', ""), "day", True),
        (PROFILE.replace('"*.csv"', ""), "", False),
        (PROFILE.replace('match = ["*.csv"]', ""), "", False),
        (
            PROFILE.replace('"*.csv"', "").replace('"folder"\npattern = "(?P<site>.+)"', '"column"\ncolumn = "id"'),
            "day",
            False,
        ),
    ],
)
def test_a_profile_needs_a_way_to_its_files(tmp_path, profile, site_profile, is_valid):
    faults = check(workspace(tmp_path, [SITES, f"A,a,47,8,Europe/Zurich,5,{site_profile}"], day=profile)).faults
    assert [(fault.file, fault.column) for fault in faults] == ([] if is_valid else [("profiles/day.toml", "match")])


@pytest.mark.parametrize(
    ("kind", "tables", "noticed"),
    [
        ("csv", '[json]\nrecords = "rows"\n', ["[json]"]),
        ("csv", '[csv]\ndelimiter = ";"\n', []),
        ("json", '[csv]\ndelimiter = ";"\n', ["[csv]"]),
        ("json", '[json]\nrecords = "rows"\n', []),
    ],
)
def test_the_table_of_another_format_is_a_notice(tmp_path, kind, tables, noticed):
    text = PROFILE.replace('format = "csv"', f'format = "{kind}"') + tables
    result = check_or_refuse(workspace(tmp_path, [SITES], day=text))
    assert [(notice.file, notice.column) for notice in result.notices] == [("profiles/day.toml", n) for n in noticed]


def test_missing_tables_of_a_profile(tmp_path):
    faults = check(workspace(tmp_path, [SITES], day='format = "csv"\nmatch = ["*"]\n')).faults
    assert [(fault.column, fault.remedy) for fault in faults] == [
        (name, f"add a table [{name}]") for name in ("site", "timestamp", "channels")
    ]


def test_notices_refuse_nothing(tmp_path):
    result = check_or_refuse(workspace(tmp_path, [SITES, "A,a,47,8,Asia/Tokyo,5,", "B,b,47,8,Europe/Zurich,5,"]))
    assert [(notice.line, notice.column) for notice in result.notices] == [(2, "timezone")]
    assert str(result.notices[0]).startswith(
        "A stands in Europe/Zurich by its coordinates, the register says Asia/Tokyo"
    )
