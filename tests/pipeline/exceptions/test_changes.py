"""What a correction of a clock leaves of the exceptions whose days are judged anew."""

from datetime import date

import polars as pl

from pipeline.exceptions.changes import CORRECTED_NOTE, REGISTER, REGISTER_NOTE, Folded, with_corrected
from pipeline.frames import EVENTS, EXCEPTIONS

NOTHING = Folded(EXCEPTIONS.to_frame(), EVENTS.to_frame())
OPENED, CLOSED, CORRECTED = date(2026, 3, 2), date(2026, 3, 20), date(2026, 4, 10)


def stood(status: str, mended_on: date, shift_id: int = 7) -> pl.DataFrame:
    """One exception as it stood when the correction was made."""
    row = {
        "exception_id": "A-clock-1", "site_id": "A", "kind": "clock-step", "status": status, "opened_on": OPENED,
        "closed_on": CLOSED if status == "closed" else None, "note": "by itself" if status == "closed" else "",
    }  # fmt: skip
    frame = pl.concat([EXCEPTIONS.to_frame(), pl.DataFrame(row)], how="diagonal_relaxed")
    return frame.with_columns(mended_on=pl.lit(mended_on), shift_id=pl.lit(shift_id, pl.Int64))


def test_one_that_had_closed_before_stays_as_it_was() -> None:
    later = with_corrected(NOTHING, stood("closed", CLOSED), day=CORRECTED)
    row = later.exceptions.row(0, named=True)
    assert (row["status"], row["closed_on"], row["note"]) == ("closed", CLOSED, "by itself")
    assert later.events.select("event", "at").rows() == [("opened", OPENED), ("closed", CLOSED)]
    earlier = with_corrected(NOTHING, stood("closed", CLOSED), day=date(2026, 3, 10)).exceptions.row(0, named=True)
    assert (earlier["status"], earlier["closed_on"]) == ("open", None)


def test_one_that_was_open_is_closed_by_the_correction() -> None:
    row = with_corrected(NOTHING, stood("open", CORRECTED), day=CORRECTED).exceptions.row(0, named=True)
    assert (row["status"], row["closed_on"], row["note"]) == ("closed", CORRECTED, CORRECTED_NOTE)
    before = with_corrected(NOTHING, stood("open", CORRECTED), day=date(2026, 4, 9)).exceptions.row(0, named=True)
    assert before["status"] == "open"


def test_one_that_the_registers_correction_closed_says_so() -> None:
    later = with_corrected(NOTHING, stood("open", CORRECTED, REGISTER), day=CORRECTED)
    assert later.exceptions["note"].to_list() == [REGISTER_NOTE]
    assert later.events["note"].to_list()[-1] == REGISTER_NOTE
