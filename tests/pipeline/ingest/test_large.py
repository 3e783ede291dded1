"""Large exports, read a segment at a time, end in the same history as if they were read whole."""

import gzip
import io
import re
import zipfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from pipeline.exports import segments
from pipeline.exports.opening import read_export
from pipeline.exports.streams import UnreadableError
from pipeline.ingest import batches, ingest, large, pieces
from pipeline.ingest.arrivals import find
from tests.support.build_profiles import profile
from tests.support.fleet import Fleet, differences

pytestmark = [pytest.mark.usefixtures("no_detectors"), pytest.mark.slow]

SEGMENT = 12_000  # bytes; some 300 rows
LOCAL = """
format = "csv"
match = ["local_*"]
[csv]
skip_lines = 1
encoding = "{encoding}"
[site]
from = "column"
column = "site"
[timestamp]
column = "t"
format = "%Y-%m-%d %H:%M"
zone = "export_timezone"
[channels.pv_w]
column = "pv"
[channels.load_w]
column = "load"
"""
BERLIN = ZoneInfo("Europe/Berlin")


def instants(day: date, days: int, minutes: int = 15) -> list[datetime]:
    start = datetime(day.year, day.month, day.day, tzinfo=UTC)
    return [start + timedelta(minutes=minutes * n) for n in range(days * 1440 // minutes)]


def pv_w(at: datetime) -> int:
    return max(0, round(6000 * (1 - ((at.hour + at.minute / 60 - 11.3) / 6) ** 2)))


def local(sites: list[str], day: date, days: int, *, by_time: bool, odd: dict[int, str] | None = None) -> str:
    """Local stamps of sites, one after the other or side by side; `odd` replaces some lines."""
    times = instants(day, days)
    order = (
        [(site, at) for at in times for site in sites] if by_time else [(site, at) for site in sites for at in times]
    )
    lines = [f"{site};{at.astimezone(BERLIN):%Y-%m-%d %H:%M};{pv_w(at)};400" for site, at in order]
    for place, text in (odd or {}).items():
        lines[place] = text
    return "\n".join(["made by a logger", "site;t;pv;load", *lines, ""]).replace(";", ",")


def exports(fleet: Fleet) -> None:
    """Both changes of clocks, quotes around line ends, bad rows, foreign sites, UTF-16, compressed, a zip's member."""
    autumn = {
        400: "S1,no time,1,2",
        700: '"S2","2025-10-27 03:15","12\n",7',
        701: "S1,2025-10-27 03:15,x,7,8",
        900: "S1,",
    }
    fleet.drop("local_a.csv", local(["S1", "S2"], date(2025, 10, 24), 5, by_time=True, odd=autumn))
    fleet.drop("local_b.csv", local(["S1", "S2", "elsewhere"], date(2026, 3, 27), 4, by_time=False))
    foreign = local(["elsewhere", "S3"], date(2026, 4, 2), 5, by_time=False)
    fleet.drop("local_c.csv.gz", gzip.compress(foreign.encode(), mtime=0))
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("local_d.csv", local(["S1", "S3"], date(2026, 5, 2), 3, by_time=True))
        archive.writestr("local_small.csv", local(["S2"], date(2026, 5, 8), 1, by_time=True)[:-9])
    fleet.drop("local_d.zip", packed.getvalue())
    fleet.drop("wide_e.csv", local(["S1", "S2"], date(2026, 6, 2), 4, by_time=True).encode("utf-16"))
    bad = [f"S1,1.7.2026 {n},1,2" for n in range(600)]
    fleet.drop("local_bad.csv", "\n".join(["made by a logger", "site,t,pv,load", *bad, ""]))
    fleet.drop("local_none.csv", local(["nobody", "noone"], date(2026, 6, 2), 4, by_time=True))


def standard_time(fleet: Fleet, *, peak: float = 1.0) -> None:
    """A logger that keeps standard time all year, from February to June: the sun of March tells."""
    times = instants(date(2026, 2, 17), 120, 60)
    lines = [f"S4,{at + timedelta(hours=1):%Y-%m-%d %H:%M},{pv_w(at) * peak:05.0f},400" for at in times]
    fleet.drop("local_f.csv", "\n".join(["made by a logger", "site,t,pv,load", *lines, ""]))


def taken_in(root: Path) -> Fleet:
    profiles = {
        "local": LOCAL.format(encoding="utf-8"),
        "wide": LOCAL.format(encoding="utf-16").replace("local_", "wide_"),
    }
    fleet = Fleet(root, 4, profiles=profiles)
    exports(fleet)
    standard_time(fleet)
    with fleet.run() as run:  # without summing up, which is the same for the same readings
        work = ingest.Ingest(run.store, fleet.space, run.settings, run.register, run.profiles)
        work.run(find(fleet.space, ()).arrivals)
    return fleet


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Fleet, Fleet]:
    """(read whole, read by segments) of the same exports."""
    whole = taken_in(tmp_path_factory.mktemp("whole"))
    with pytest.MonkeyPatch.context() as patch:
        everything_is_large(patch)
        return whole, taken_in(tmp_path_factory.mktemp("segments"))


def everything_is_large(patch: pytest.MonkeyPatch) -> None:
    for room in (ingest, batches, pieces):
        patch.setattr(room, "AT_ONCE_BYTES", SEGMENT)
    for room in (segments, large):
        patch.setattr(room, "SEGMENT_BYTES", SEGMENT)


def test_the_history_is_the_same(both: tuple[Fleet, Fleet]) -> None:
    assert both[0].value("SELECT count(*) FROM reading_raw") > 4000
    assert differences(*(without_days_of_proof(fleet.history()) for fleet in both)) == {}


def without_days_of_proof(history: dict[str, list[tuple]]) -> dict[str, list[tuple]]:
    """A segment sees fewer days around a change of clocks than the whole: its figures differ, not what it says."""
    ledger = [
        tuple(re.sub(r"-?\d+ (days|min|\+-)", r"N \1", cell) if isinstance(cell, str) else cell for cell in row)
        for row in history["export_file"]
    ]
    # Days are noted as changed by every segment that has rows of them; noted twice they are summed up once.
    return history | {"export_file": ledger, "dirty_day": sorted(set(history["dirty_day"]))}


def test_refused_exports_are_refused_as_a_whole_with_the_same_words(both: tuple[Fleet, Fleet]) -> None:
    whole, by_segments = both
    assert by_segments.files("quarantine") == whole.files("quarantine")
    assert len(whole.files("quarantine")) == 4
    for name in ("local_bad.csv", "local_none.csv"):
        assert by_segments.reason(name) == whole.reason(name)


def test_a_clock_on_standard_time_is_found_out_wherever_in_the_file_the_sun_tells(both: tuple[Fleet, Fleet]) -> None:
    _, by_segments = both
    february = by_segments.value("SELECT min(ts_utc) FROM reading_raw WHERE site_id = 'S4'")
    assert february == datetime(2026, 2, 17, tzinfo=UTC)
    june = (
        "SELECT count(*) FROM reading_raw WHERE site_id = 'S4' AND pv_w > 0 AND (hour(ts_utc) < 5 OR hour(ts_utc) > 17)"
    )
    assert by_segments.value(june) == 0


@pytest.mark.usefixtures("only_stored")
def test_where_a_segment_has_too_little_sun_to_tell_the_spring_hour_a_person_has_to(
    tmp_path: Path, monkeypatch
) -> None:
    fleet = Fleet(tmp_path, 4, profiles={"local": LOCAL.format(encoding="utf-8")})
    everything_is_large(monkeypatch)
    standard_time(fleet, peak=0.0)
    assert fleet.take_in().needs_person
    assert "set spring_hour" in fleet.reason("local_f.csv") and fleet.value("SELECT count(*) FROM reading_raw") == 0
    fleet.profile(
        "local", LOCAL.format(encoding="utf-8").replace("[channels.pv_w]", 'spring_hour = "filled"\n[channels.pv_w]')
    )
    (fleet.space.quarantine / "local_f.csv").rename(fleet.space.inbox / "local_f.csv")
    fleet.take_in()
    assert fleet.value("SELECT rows_stored FROM export_file") == 120 * 24 - 1


def parts(tmp_path: Path, content: bytes, name: str = "local_x.csv"):
    (tmp_path / name).write_bytes(content)
    (part,) = read_export(tmp_path / name, "", max_bytes=10**9, held_bytes=1000)
    return segments.segments(part, profile(), ["Europe/Berlin"])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"x" * 20_000, "no header: no line ends"),
        (b"t;pv\n" + b"1;2\n" * 10 + b"y" * 40_000, "is longer than"),
    ],
    ids=["one line", "a long line below the header"],
)
def test_a_line_without_an_end_is_refused_before_it_is_held(
    tmp_path: Path, monkeypatch, content: bytes, words: str
) -> None:
    monkeypatch.setattr(segments, "SEGMENT_BYTES", 4000)
    with pytest.raises(UnreadableError, match=words):
        list(parts(tmp_path, content))


def test_a_stream_that_ends_early_is_said_of_its_last_segment_alone(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(segments, "SEGMENT_BYTES", 4000)
    packed = gzip.compress(b"t;pv\n" + b"".join(b"%d;2\n" % n for n in range(30_000)))
    found = list(parts(tmp_path, packed[: len(packed) // 2], "local_x.csv.gz"))
    assert len(found) > 5 and [one.part.truncated for one in found] == [False] * (len(found) - 1) + [True]
    joined = b"".join(one.part.data.removeprefix(b"t;pv\n") for one in found)
    assert (
        joined.startswith(b"0;2\n1;2\n")
        and [one.lines_before for one in found][1] == found[0].part.data.count(b"\n") - 1
    )
