"""What a person decides about an exception."""

import getpass
from datetime import date
from typing import Any

from pipeline.detection import folding
from pipeline.errors import RefusedError
from pipeline.runs.session import Opened
from pipeline.store import Store, decision_log, verdicts


def decide(
    run: Opened,
    exception_id: str,
    action: str,
    *,
    until: date | None = None,
    note: str = "",
    by: str | None = None,
    person: str | None = None,
) -> dict[str, Any]:
    """The exception as it stands after the decision of `by` (else who is logged in), to be seen to by `person`.

    Raises RefusedError, with nothing changed, if the exception is unknown or the action does not fit how it stands.
    """
    row = _exception(run.store, exception_id)
    last = verdicts.last_judged_day(run.store)
    assert last is not None  # an exception exists, so a day was judged
    if row["status"] == "closed" and action != "reopen":
        raise RefusedError(
            "the exception is closed already", exception_id, "see `noonmark exceptions show` for when and why"
        )
    if row["status"] == "open" and action == "reopen":
        raise RefusedError("the exception is open already", exception_id, "see `noonmark exceptions show`")
    if action == "snooze" and (until is None or until <= last):
        raise RefusedError("a snooze ends after the last judged day", f"--until {until}", f"choose a day after {last}")
    with run.store.transaction():
        verdicts.write_decision(
            run.store, exception_id, action, on_day=last, until=until, note=note, by=by or who(), person=person
        )
        folding.update_exceptions(run.store)
        after = _exception(run.store, exception_id)
        if action == "reopen" and after["status"] == "closed":
            raise RefusedError(
                "this exception cannot be opened again: a later one of its site took its place, or a correction of the "
                "clock closed it",
                exception_id,
                "see `noonmark exceptions list`; a correction is taken back by `noonmark retime --undo`",
            )
    decision_log.append(run.store, run.workspace.decision_log)
    return after


def _exception(store: Store, exception_id: str) -> dict[str, Any]:
    found = verdicts.exception(store, exception_id)
    if found is None:
        raise RefusedError("there is no such exception", exception_id, "`noonmark exceptions list` shows them")
    return found


def who() -> str:
    """The name of who is logged in, or "unknown"."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown"
