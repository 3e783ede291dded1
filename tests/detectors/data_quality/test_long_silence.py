"""Silence that began before the deliveries' window, and devices that never delivered: lived through night by night."""

from datetime import date, timedelta

import polars as pl

from detectors import frames
from detectors.data_quality import site_silent
from detectors.features import deliveries, silent_units
from detectors.finding import Finding, NotJudged, Verdict, cause_of, next_step_of, title_of
from tests.support import build

FIRST = date(2025, 1, 1)
KIND = site_silent.KINDS["site-silent"]


class Fleet:
    """Sites, or devices of several, each with the days of which it delivers; judged night by night."""

    def __init__(self, delivers: dict[tuple[str, str], range], **site: object) -> None:
        self.sites = build.sites(*({"site_id": name, **site} for name in dict.fromkeys(name for name, _ in delivers)))
        named = [{"site_id": name, "device_id": device} for name, device in delivers if device]
        self.devices = build.frame(frames.SITE_DEVICES, named)
        self.rows = build.frame(
            deliveries.SCHEMA,
            [
                {"site_id": name, "device_id": device, "day": FIRST + timedelta(days=n), "first_h": 0.0, "last_h": 24.0,
                 "gap_h": 0.0, "covered_h": 24.0}
                for (name, device), numbers in delivers.items()
                for n in numbers
            ],
        )  # fmt: skip
        self.kept = frames.SILENT_UNITS.to_frame()

    def night(self, n: int) -> list[Verdict]:
        """The verdicts on the n-th day, by what its window holds."""
        day = FIRST + timedelta(days=n)
        window = self.rows.filter(pl.col("day").is_between(day - timedelta(days=deliveries.WINDOW_DAYS), day))
        past = self.kept.filter(
            (pl.col("day") < day) & (pl.col("day") >= day - timedelta(days=silent_units.WINDOW_DAYS))
        )
        days = frames.DAYS.to_frame()
        made = silent_units.make(day, self.sites, self.devices, window, days, past)
        assert made.schema == silent_units.SCHEMA
        self.kept = pl.concat([self.kept.filter(pl.col("day") != day), made])
        return site_silent.detect(window, days, self.sites, day, None, pl.concat([past, made]))

    def live(self, *nights: range) -> dict[int, dict[str, Verdict]]:
        return {n: {one.site_id: one for one in self.night(n)} for span in nights for n in span}


def test_a_device_that_is_silent_for_longer_than_the_window_stays_told_until_it_is_back():
    back = [*range(50), *range(220, 230)]
    said = Fleet({("roof-1", "A"): range(230), ("roof-1", "B"): back}).live(range(230))
    assert {n for n, one in said.items() if one} == set(range(50, 220))
    for n in (60, 139, 140, 141, 150, 219):
        found = said[n]["roof-1"]
        assert isinstance(found, Finding)
        assert (found.value, found.since) == (24.0 * (n - 49), FIRST + timedelta(days=50))
        assert "No readings of device B" in found.summary and "2025-02-20 00:00" in found.measured


def test_a_site_that_is_silent_for_longer_than_the_window_says_its_last_reading():
    fleet = Fleet({("roof-1", ""): range(50), ("peer", ""): range(200)})
    said = fleet.live(range(200))
    for n in (139, 140, 141, 142, 199):
        found = said[n]["roof-1"]
        assert isinstance(found, Finding) and found.severity == "urgent"
        assert (found.value, found.since) == (24.0 * (n - 49), FIRST + timedelta(days=50))
        assert "the last one is of 2025-02-20 00:00" in found.summary
    assert {name for one in said.values() for name in one} == {"roof-1"}


def test_a_day_that_was_cut_short_stays_the_first_one_of_the_silence():
    fleet = Fleet({("roof-1", ""): range(50), ("peer", ""): range(200)})
    cut = (pl.col("site_id") == "roof-1") & (pl.col("day") == FIRST + timedelta(days=49))
    fleet.rows = fleet.rows.with_columns(last_h=pl.when(cut).then(14.5).otherwise("last_h"))
    said = fleet.live(range(200))
    for n in (60, 139, 140, 160):
        found = said[n]["roof-1"]
        assert isinstance(found, Finding)
        assert (found.value, found.since) == (24.0 * (n - 49) + 9.5, FIRST + timedelta(days=49))
        assert "2025-02-19 14:30" in found.measured


def test_a_site_that_never_reported_counts_from_the_fleets_first_day_however_long_ago():
    said = Fleet({("peer", ""): range(200), ("new", ""): range(0)}).live(range(200))
    found = said[199]["new"]
    assert isinstance(found, Finding)
    assert (found.value, found.since) == (24.0 * 200, FIRST)
    assert f"No readings since {FIRST}, the first day" in found.summary


def test_sites_that_fell_silent_together_stay_one_delivery_and_those_that_did_not_stay_their_own():
    together = Fleet({(f"roof-{n}", ""): range(50) for n in range(4)} | {("peer", ""): range(200)})
    for n, verdicts in together.live(range(160)).items():
        kinds = [one.kind for one in verdicts.values() if isinstance(one, Finding)]
        assert kinds == ([] if n < 50 else ["delivery-missing"]), n
    apart = Fleet({(f"roof-{n}", ""): range(40 + n) for n in range(4)} | {("peer", ""): range(200)})
    for n, verdicts in apart.live(range(160)).items():
        if n > 45:
            assert [one.kind for one in verdicts.values() if isinstance(one, Finding)] == ["site-silent"] * 4, n


def test_a_whole_fleet_that_is_silent_for_longer_than_the_window_says_since_when():
    said = Fleet({(f"roof-{n}", ""): range(50) for n in range(4)}).live(range(160))
    for n in (130, 141, 159):
        (found,) = (one for one in said[n].values() if isinstance(one, Finding))
        assert (found.kind, found.since, found.value) == (
            "delivery-missing", FIRST + timedelta(days=50), 24.0 * (n - 49),
        )  # fmt: skip


def test_nights_that_are_left_out_or_judged_again_change_nothing():
    delivers = {("roof-1", "A"): range(200), ("roof-1", "B"): range(50)}
    fleet = Fleet(delivers)
    fleet.live(range(139), range(143, 144), range(149, 160), range(155, 160))
    found = fleet.live(range(160, 161))[160]["roof-1"]
    assert isinstance(found, Finding) and found.value == 24.0 * 111


def test_what_came_late_counts_beside_what_was_carried():
    fleet = Fleet({("roof-1", "A"): range(200), ("roof-1", "B"): range(50)})
    fleet.live(range(100))
    fleet.rows = pl.concat([fleet.rows, Fleet({("roof-1", "B"): range(50, 61)}).rows])
    found = fleet.live(range(100, 160))[159]["roof-1"]
    assert isinstance(found, Finding) and found.since == FIRST + timedelta(days=61)


def test_readings_that_were_taken_back_are_no_last_ones():
    fleet = Fleet({("roof-1", "A"): range(200), ("roof-1", "B"): range(50)})
    fleet.live(range(80))
    fleet.rows = fleet.rows.filter((pl.col("device_id") == "A") | (pl.col("day") < FIRST + timedelta(days=40)))
    for n, one in fleet.live(range(80, 160)).items():
        found = one["roof-1"]
        assert isinstance(found, Finding) and found.since == FIRST + timedelta(days=40), n


def test_the_first_night_after_an_update_knows_what_the_window_holds():
    found = Fleet({("roof-1", "A"): range(200), ("roof-1", "B"): range(50)}).live(range(120, 121))[120]["roof-1"]
    assert isinstance(found, Finding) and found.value == 24.0 * 71


def test_a_device_that_the_register_forgot_is_not_silent():
    fleet = Fleet({("roof-1", "A"): range(200), ("roof-1", "B"): range(50), ("roof-1", "C"): range(200)})
    fleet.live(range(150))
    fleet.devices = fleet.devices.filter(pl.col("device_id") != "B")
    fleet.rows, fleet.kept = (one.filter(pl.col("device_id") != "B") for one in (fleet.rows, fleet.kept))
    assert fleet.live(range(150, 152)) == {150: {}, 151: {}}


def test_only_what_is_silent_is_kept():
    fleet = Fleet({("roof-1", "A"): range(100), ("roof-1", "B"): range(90), ("peer", ""): range(100)})
    fleet.live(range(100))
    assert fleet.kept.select("site_id", "device_id").unique().rows() == [("roof-1", "B")]
    assert fleet.kept.height == 10


def test_a_device_that_never_delivered_is_told_after_the_wait_for_a_site_that_never_did():
    said = Fleet({("roof-1", "A"): range(100), ("roof-1", "B"): range(0)}).live(range(100))
    assert [n for n, one in said.items() if not one] == [0]  # a day and six hours of daylight, like a site's
    for n in (1, 30, 99):
        found = said[n]["roof-1"]
        assert isinstance(found, Finding) and found.kind == "site-silent"
        assert (found.value, found.threshold, found.since) == (24.0 * (n + 1), 6.0, FIRST)
        assert "No readings of device B so far" in found.summary
        assert "mistyped" in cause_of(KIND, found.evidence) and "external_id" in next_step_of(KIND, found.evidence)
        assert title_of(KIND, found.evidence) == "No readings arrive of device B"


def test_a_device_that_is_registered_later_is_waited_for_from_then_on():
    fleet = Fleet({("roof-1", "A"): range(100), ("roof-1", "B"): range(100)})
    fleet.live(range(60))
    fleet.devices = build.frame(
        frames.SITE_DEVICES, [{"site_id": "roof-1", "device_id": device} for device in ("A", "B", "C")]
    )
    said = fleet.live(range(60, 63))
    assert said[60] == {}
    found = said[61]["roof-1"]
    assert isinstance(found, Finding) and found.since == FIRST + timedelta(days=60)


def test_a_site_none_of_whose_devices_reported_is_told_as_a_site():
    said = Fleet({("peer", ""): range(50), ("new", "A"): range(0), ("new", "B"): range(0)}).live(range(50))
    assert isinstance(said[0]["new"], NotJudged)
    found = said[49]["new"]
    assert isinstance(found, Finding) and "device_name" not in found.evidence
    assert (found.value, found.since) == (24.0 * 50, FIRST)
