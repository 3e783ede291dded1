"""Every column is explained, with the default that the model has."""

from pipeline.register.columns import FILES, MEANINGS, columns
from tests.readme import README


def test_every_column_is_explained_and_no_other():
    assert {file: list(texts) for file, texts in MEANINGS.items()} == {
        file: list(cells) for file, (cells, _) in FILES.items()
    }
    assert all(len(one.meaning) > 3 for one in columns())


def test_defaults_are_the_contracts():
    told = {(one.file, one.name): one.default for one in columns()}
    assert told["sites.csv", "site_id"] == "required"
    assert (told["sites.csv", "phases"], told["sites.csv", "watched"], told["sites.csv", "grid_charging"]) == (
        "1",
        "yes",
        "no",
    )
    assert (told["sites.csv", "import_price"], told["sites.csv", "currency"]) == ("0.3", "EUR")
    assert told["sites.csv", "export_timezone"] == "= timezone"
    assert told["sites.csv", "battery_reserve_pct"] == told["sites.csv", "feed_in_buffer_w"] == ""


def test_the_readme_lists_them():
    text = README.read_text(encoding="utf-8")
    for one in columns():
        assert f"| {one.file} | {one.name} | {one.default} | {one.meaning} |" in text
