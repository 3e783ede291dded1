"""Files as they reach the inbox: compressed, zipped, cut, damaged, hostile."""

import gzip
import hashlib
import os
import random
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
import zstandard
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.exports.opening import ExportPart, read_export

TEXT = b"Time;PV\n" + b"".join(b"2025-06-01 %02d:00;%d.5\n" % (hour, hour) for hour in range(24))
NOISE = random.Random(1).randbytes(400_000)  # does not compress, so a cut stream still holds some of it
MAX = 1_000_000


def packed(data: bytes) -> bytes:
    """By gzip, without the time at which it was done: test processes then agree on what they test."""
    return gzip.compress(data, mtime=0)


def read(folder: Path, name: str, data: bytes, max_bytes: int = MAX) -> list[ExportPart]:
    (folder / name).write_bytes(data)
    return read_export(folder / name, "north/roofs", max_bytes=max_bytes)


def zipped(folder: Path, **members: bytes) -> bytes:
    with zipfile.ZipFile(folder / "made", "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name.replace("__", "/"), data)
    return (folder / "made").read_bytes()


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.csv", TEXT),
        ("a.csv.gz", packed(TEXT)),
        ("a.csv.gz", packed(TEXT[:40]) + packed(TEXT[40:])),  # RFC 1952: members end to end
        ("a.csv.gz", packed(TEXT) + b"\0" * 100),
        ("a.csv.zst", zstandard.compress(TEXT)),
        ("a.csv.zst", zstandard.compress(TEXT[:40]) + zstandard.compress(TEXT[40:])),  # RFC 8878: frames end to end
        ("a.csv", packed(TEXT)),  # compressed without saying so
    ],
)
def test_one_file_is_one_export(tmp_path: Path, name: str, data: bytes) -> None:
    (part,) = read(tmp_path, name, data)
    digest = hashlib.sha256(data).hexdigest()
    assert part == ExportPart(name, None, "north/roofs", TEXT, digest, False, None, digest)


def test_a_zip_holds_an_export_a_member(tmp_path: Path) -> None:
    data = zipped(tmp_path, **{"a.csv": TEXT, "deep__b.csv": TEXT[:40], "c.csv.gz": gzip.compress(TEXT)})
    parts = read(tmp_path, "day.zip", data)
    assert [(p.name, p.member, p.data, p.problem) for p in parts] == [
        ("a.csv", "a.csv", TEXT, None),
        ("b.csv", "deep/b.csv", TEXT[:40], None),
        ("c.csv.gz", "c.csv.gz", TEXT, None),
    ]
    assert parts[0].sha256 == hashlib.sha256(TEXT).hexdigest()
    assert {p.folder for p in parts} == {"north/roofs"}


@pytest.mark.parametrize("pack", [gzip.compress, zstandard.compress])
def test_a_cut_stream_keeps_what_it_holds(tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
    packed = pack(NOISE)
    (part,) = read(tmp_path, "a.csv.gz" if pack is gzip.compress else "a.csv.zst", packed[: len(packed) // 2])
    assert part.truncated and part.problem is None
    assert NOISE.startswith(part.data)
    assert len(part.data) > 0


def test_members_are_never_written_and_never_paths(tmp_path: Path) -> None:
    data = zipped(tmp_path, **{"..__..__evil.csv": TEXT, "C:\\temp\\evil2.csv": TEXT})
    before = sorted(tmp_path.rglob("*"))
    parts = read(tmp_path, "x.zip", data)
    assert [p.name for p in parts] == ["evil.csv", "evil2.csv"]
    assert sorted(tmp_path.rglob("*")) == sorted([*before, tmp_path / "x.zip"])
    assert not (tmp_path.parent.parent / "evil.csv").exists()


@pytest.mark.parametrize(
    ("name", "data", "problem"),
    [
        ("a.csv", b"", "the file is empty"),
        ("a.csv.gz", b"", "the file is empty"),
        ("a.csv.gz", b"Time;PV\n", "holds no gzip data"),
        ("a.csv.zst", b"Time;PV\n", "holds no zstd data"),
        ("a.csv.gz", packed(TEXT)[:12], "ends before its first byte"),
        ("a.csv.gz", packed(TEXT)[:-8] + b"\0" * 8, "damaged gzip"),  # its checksum is wrong
        ("a.csv.zst", zstandard.compress(NOISE)[:9] + b"\xff" * 500, "damaged zstd"),
        ("a.zip", b"PK\x03\x04 and no more", "damaged zip"),
        ("a.zip", b"Time;PV\n", "damaged zip"),
        ("a.zip", b"PK\x05\x06" + b"\0" * 18, "holds no file"),
    ],
)
def test_what_can_not_be_opened_says_why(tmp_path: Path, name: str, data: bytes, problem: str) -> None:
    (part,) = read(tmp_path, name, data)
    assert part.problem is not None and problem in part.problem
    assert part.sha256 == hashlib.sha256(data).hexdigest()


def test_a_bad_member_costs_itself_only(tmp_path: Path) -> None:
    inner = zipped(tmp_path, **{"x.csv": TEXT})
    data = bytearray(zipped(tmp_path, **{"a.csv": NOISE, "b.zip": inner, "c.csv": TEXT, "empty.csv": b""}))
    data[200] ^= 0xFF  # inside a.csv
    problems = {p.name: p.problem for p in read(tmp_path, "x.zip", bytes(data))}
    assert problems["c.csv"] is None
    assert "damaged inside its zip" in str(problems["a.csv"])
    assert problems["b.zip"] == "a zip inside a zip; unpack it first"
    assert problems["empty.csv"] == "the file is empty"


def test_an_encrypted_member_is_refused(tmp_path: Path) -> None:
    data = bytearray(zipped(tmp_path, **{"a.csv": TEXT}))
    data[6] |= 1  # general purpose bit 0 of the local header (APPNOTE 4.4.4)
    data[data.index(b"PK\x01\x02") + 8] |= 1  # and of the central directory
    (part,) = read(tmp_path, "x.zip", bytes(data))
    assert str(part.problem).startswith("encrypted")


@pytest.mark.parametrize("kind", ["plain", "gz", "zst", "zip", "zip of small ones"])
def test_sizes_are_capped_when_opened(tmp_path: Path, kind: str) -> None:
    big = b"0" * 3_000_000
    name, data = {
        "plain": ("a.csv", big),
        "gz": ("a.csv.gz", gzip.compress(big)),
        "zst": ("a.csv.zst", zstandard.compress(big)),
        "zip": ("a.zip", zipped(tmp_path, **{"a.csv": big})),
        "zip of small ones": ("a.zip", zipped(tmp_path, **{f"{n}.csv": big[:400_000] for n in range(5)})),
    }[kind]
    parts = read(tmp_path, name, data)
    assert "larger than" in str(parts[-1].problem) and "max_export_mib" in str(parts[-1].problem)
    assert sum(len(p.data) for p in parts) <= MAX


def test_links_are_not_followed(tmp_path: Path) -> None:
    (tmp_path / "secret.csv").write_bytes(TEXT)
    (tmp_path / "link.csv").symlink_to(tmp_path / "secret.csv")
    (part,) = read_export(tmp_path / "link.csv", "", max_bytes=MAX)
    assert "link" in str(part.problem) and part.data == b""
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as archive:
        info = zipfile.ZipInfo("link.csv")
        info.external_attr = 0o120777 << 16
        archive.writestr(info, "/etc/passwd")
    (part,) = read_export(tmp_path / "x.zip", "", max_bytes=MAX)
    assert "link" in str(part.problem) and part.data == b""


def test_a_file_that_is_gone_or_is_no_file_does_not_raise(tmp_path: Path) -> None:
    (part,) = read_export(tmp_path / "gone.csv", "", max_bytes=MAX)
    assert "can't be opened" in str(part.problem)
    os.mkfifo(tmp_path / "pipe")
    (part,) = read_export(tmp_path / "pipe", "", max_bytes=MAX)
    assert "special file" in str(part.problem)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    start=st.sampled_from([b"", b"\x1f\x8b\x08", b"\x28\xb5\x2f\xfd", b"PK\x03\x04", b"PK\x05\x06"]),
    rest=st.binary(max_size=200),
    ending=st.sampled_from(["", ".gz", ".zst", ".zip"]),
)
def test_no_bytes_raise(tmp_path: Path, start: bytes, rest: bytes, ending: str) -> None:
    for part in read(tmp_path, f"a.csv{ending}", start + rest):
        assert part.problem is not None or part.data


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_no_flipped_byte_raises(tmp_path: Path, data: st.DataObject) -> None:
    packed = bytearray(zipped(tmp_path, **{"a.csv": TEXT, "b.csv": TEXT}))
    packed[data.draw(st.integers(0, len(packed) - 1))] = data.draw(st.integers(0, 255))
    assert read(tmp_path, "a.zip", bytes(packed))
