"""The register's files as text: header, row lengths, separators, quotes, encodings and line ends."""

import pytest

from tests.support.register_files import HEALTHY, REQUIRED, load, places, write


def test_header_faults(tmp_path):
    write(tmp_path, "sites.csv", "site_id,name,latitude,Longitude,timezone,name,,colour,tilt", "A,a,47,8,UTC,b,,red,3")
    faults = load(tmp_path)[1]
    assert places(faults) == [
        ("sites.csv", 1, "Longitude", "Longitude"),
        ("sites.csv", 1, "name", "name"),
        ("sites.csv", 1, "number 7", ""),
        ("sites.csv", 1, "colour", "colour"),
        ("sites.csv", 1, "tilt", "tilt"),
        ("sites.csv", 1, "installed_kwp", None),
    ]
    assert faults[0].remedy == "write longitude"
    assert faults[4].remedy == "write tilt_deg"
    assert "known are" in faults[3].remedy


@pytest.mark.parametrize("sign", [";", "\t"])
def test_cells_set_apart_by_another_sign(tmp_path, sign):
    write(tmp_path, "sites.csv", REQUIRED.replace(",", sign), HEALTHY.replace(",", sign))
    faults = load(tmp_path)[1]
    assert [(fault.line, fault.remedy) for fault in faults] == [(1, "save the file with commas")]


def test_row_lengths(tmp_path):
    write(
        tmp_path,
        "sites.csv",
        REQUIRED,
        HEALTHY + ",5",
        "B,b,47,8",
        HEALTHY.replace("A,", "C,"),
        ",,,,,",
        "D,d,47,5,8,UTC,1",
    )
    register, faults = load(tmp_path)
    assert places(faults) == [
        ("sites.csv", 2, None, "5"),
        ("sites.csv", 3, "timezone", None),
        ("sites.csv", 6, None, "1"),
    ]
    assert "7 cells where the header has 6" in faults[0].problem
    assert list(register.sites) == ["C"]


def test_an_error_in_the_header_is_told_once(tmp_path):
    write(tmp_path, "arrays.csv", "site_id,kwp,tilt_deg,azimuth_deg", "A,10,30,180", "B,10,30,180")
    rows = HEALTHY, HEALTHY.replace("A,", "B,")
    write(tmp_path, "sites.csv", REQUIRED.replace("name,", "name,colour,"), *rows)
    register, faults = load(tmp_path)
    assert places(faults) == [("sites.csv", 1, "colour", "colour")] and list(register.sites) == ["A", "B"]
    write(tmp_path, "sites.csv", REQUIRED + ",tilt_deg", *rows)
    (fault,) = load(tmp_path)[1]
    assert (fault.file, fault.line) == ("sites.csv", 1) and "7 columns where every row has 6 cells" in fault.problem
    write(tmp_path, "sites.csv", REQUIRED, *(row + ",30" for row in rows))
    (fault,) = load(tmp_path)[1]
    assert fault.line == 1 and "6 columns where every row has 7 cells" in fault.problem


def test_a_site_whose_row_has_too_few_cells_is_not_also_unknown_to_the_other_files(tmp_path):
    write(tmp_path, "arrays.csv", "site_id,kwp,tilt_deg,azimuth_deg", "A,10,30,180", "B,10,30,180")
    write(tmp_path, "sites.csv", REQUIRED, HEALTHY.rsplit(",", 1)[0], HEALTHY.replace("A,", "B,"))
    assert places(load(tmp_path)[1]) == [("sites.csv", 2, "installed_kwp", None)]


def test_lines_stay_right_behind_quoted_line_breaks(tmp_path):
    write(tmp_path, "sites.csv", REQUIRED, '"A","Roof, ""upper""\nand lower",47,8,UTC,10', "", "B,b,95,8,UTC,10")
    register, faults = load(tmp_path)
    assert places(faults) == [("sites.csv", 5, "latitude", "95")]
    assert register.sites["A"].name == 'Roof, "upper" and lower'
    assert register.lines == {"A": 2}


def test_a_quote_that_never_ends_hides_nothing(tmp_path):
    write(tmp_path, "sites.csv", REQUIRED, 'A,"Roof A,47,8,UTC,10', "B,b,95,8,UTC,10", HEALTHY.replace("A,", "C,"))
    register, faults = load(tmp_path)
    assert [(fault.line, fault.column) for fault in faults] == [(2, None), (3, "latitude")]
    assert "never closed" in faults[0].problem
    assert list(register.sites) == ["C"]


def test_bytes_that_are_not_utf8_are_told_line_by_line(tmp_path):
    write(
        tmp_path,
        "sites.csv",
        REQUIRED,
        "A,Dach Süd,47,8,UTC,10",
        "B,b,95,8,UTC,10",
        "C,Übersee,47,8,UTC,1",
        encoding="latin-1",
    )
    faults = load(tmp_path)[1]
    assert places(faults) == [
        ("sites.csv", 2, None, "Dach S\ufffdd"),
        ("sites.csv", 3, "latitude", "95"),
        ("sites.csv", 4, None, "\ufffdbersee"),
    ]


def test_byte_order_marks_and_line_ends(tmp_path):
    (tmp_path / "sites.csv").write_bytes(f"\ufeff{REQUIRED}\r\n{HEALTHY}\r\n".encode())
    register, faults = load(tmp_path)
    assert (list(register.sites), faults) == (["A"], [])
    write(tmp_path, "sites.csv", REQUIRED, HEALTHY, encoding="utf-16")
    assert places(load(tmp_path)[1]) == [("sites.csv", 1, None, None)]


def test_a_missing_or_empty_register(tmp_path):
    assert places(load(tmp_path)[1]) == [("sites.csv", None, None, None)]
    (tmp_path / "sites.csv").write_bytes(b"")
    assert places(load(tmp_path)[1]) == [("sites.csv", 1, None, None)]
    (tmp_path / "sites.csv").unlink()
    (tmp_path / "sites.csv").mkdir()
    assert places(load(tmp_path)[1]) == [("sites.csv", None, None, None)]
