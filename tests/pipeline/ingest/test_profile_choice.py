"""Which profile a file belongs to."""

from pipeline.ingest.profile_choice import choose_profile
from pipeline.profiles.model import Channel, ExportProfile, SiteSource, Timestamp
from pipeline.register.load import Device, Register, Site


def make_profile(name: str, match: list[str], source: str = "file name", pattern: str = r"^(?P<site>[A-Z]+)_"):
    site = {"from": source} | ({"column": "id"} if source == "column" else {"pattern": pattern})
    return ExportProfile(
        name=name,
        format="csv",
        match=tuple(match),
        site=SiteSource.model_validate(site),
        timestamp=Timestamp(columns=("t",), format="iso8601"),
        channels={"pv_w": Channel(columns=("p",))},
    )


def make_register(*sites: tuple[str, str | None], devices: tuple[Device, ...] = ()) -> Register:
    return Register(
        sites={
            name: Site(
                site_id=name, name=name, latitude=0, longitude=0, timezone="UTC", installed_kwp=1, profile=profile
            )
            for name, profile in sites
        },
        devices=list(devices),
    )


def chosen(profiles: list[ExportProfile], name: str, register: Register, folder: str = "") -> str:
    choice = choose_profile({profile.name: profile for profile in profiles}, name, folder, register)
    return choice if isinstance(choice, str) else choice.name


def test_a_glob_decides_with_and_without_the_compressions_ending():
    fleet = make_register(("A", None))
    plain = [make_profile("p", ["*_day.csv"])]
    assert chosen(plain, "A_day.csv", fleet) == "p"
    assert chosen(plain, "A_day.csv.gz", fleet) == "p"
    assert chosen(plain, "A_day.csv.zst", fleet) == "p"
    assert chosen([make_profile("p", ["*.csv.gz"])], "A_day.csv.gz", fleet) == "p"
    for other in ("A_day.CSV", "A_Day.csv", "A_day.csv.bak", "x/A_day.csv.json"):
        assert "no profile matches" in chosen(plain, other, fleet)


def test_a_site_that_names_its_profile_decides():
    one, two = make_profile("p", ["*.csv"]), make_profile("q", [])
    assert chosen([one, two], "A_day.csv", make_register(("A", "q"))) == "q"
    assert chosen([one, two], "A_day.txt", make_register(("A", "q"))) == "q"
    assert chosen([one, two], "B_day.csv", make_register(("A", "q"), ("B", None))) == "p"
    device = Device(site_id="A", device_id="1", external_id="INV")
    assert chosen([one, two], "INV_day.csv", make_register(("A", "q"), devices=(device,))) == "q"


def test_two_globs_and_one_site_that_is_known():
    by_name, by_folder = make_profile("p", ["*.csv"]), make_profile("q", ["*.csv"], "folder", "(?P<site>[^/]+)$")
    fleet = make_register(("A", None))
    assert chosen([by_name, by_folder], "A_day.csv", fleet, "X") == "p"
    assert chosen([by_name, by_folder], "B_day.csv", fleet, "in/A") == "q"
    assert chosen([by_name, by_folder], "A_day.csv", fleet, "in/A") == "profiles p and q both fit this file"
    assert chosen([by_name, by_folder], "B_day.csv", fleet) == "profiles p and q both fit this file"
    third = make_profile("r", ["*"], "column")
    assert chosen([by_name, by_folder, third], "B_day.csv", fleet) == "r"  # whose rows may name a site
    assert chosen([by_name, by_folder, third], "A_day.csv", fleet) == "profiles p and r both fit this file"
    assert chosen([by_name, by_folder, third], "A_day.csv", fleet, "in/A") == "profiles p, q and r all fit this file"
    assert chosen([by_name, by_folder, third], "A_day.csv", make_register(("A", "p"))) == "p"


def test_a_profile_that_no_site_can_be_meant_by_stands_back():
    one, two = make_profile("p", ["*"], "column"), make_profile("q", ["*"], "column")
    assert chosen([one, two], "all.csv", make_register(("A", "q"), ("B", "q"))) == "q"
    assert (
        chosen([one, two], "all.csv", make_register(("A", "q"), ("B", None))) == "profiles p and q both fit this file"
    )


def test_what_a_place_calls_the_site():
    by_name = make_profile("p", ["*"], pattern=r"_(?P<site>[A-Za-z0-9-]+)\.csv$")
    assert by_name.site_in_place("day_A-1.csv", "") == "A-1"
    assert by_name.site_in_place("day_A-1.csv.gz", "") == "A-1"
    assert by_name.site_in_place("day_A-1.csv.bak", "") is None
    by_folder = make_profile("q", ["*"], "folder", r"(?:^|/)(?P<site>[^/]+)/\d{4}$")
    assert by_folder.site_in_place("x.csv", "in/Roof 7/2026") == "Roof 7"
    assert by_folder.site_in_place("x.csv", "") is None
    assert make_profile("r", ["*"], "column").site_in_place("A_day.csv", "A") is None
    optional = make_profile("s", ["*"], pattern=r"^x(?P<site>\d+)?")
    assert optional.site_in_place("x.csv", "") is None
