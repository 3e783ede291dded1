"""A day's digest by mail, once: after publishing, without holding the workspace, tried again after failures."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

from filelock import FileLock, Timeout
from tenacity import RetryCallState, Retrying, retry_if_exception, stop_after_delay, stop_any, wait_exponential
from tenacity.stop import stop_when_event_set

from pipeline.config.settings import Settings
from pipeline.digest import DigestFacts, mail
from pipeline.digest.mail import MailError, Sent
from pipeline.errors import NoonmarkError, WorkspaceBusyError
from pipeline.runs.session import opened, publish
from pipeline.store import digests
from pipeline.workspace.files import replace_file
from pipeline.workspace.places import Workspace

COMMAND_PATIENCE_S = 60.0  # ours: a command that was typed, or that cron waits for, tries for so long
FIRST_WAIT_S = 5.0  # ours: a server that restarts is back within seconds; each wait is twice the one before,
LONGEST_WAIT_S = 900.0  # up to this one
LOCK_WAIT_S = 300.0  # ours: another run takes minutes


class Mailed(NamedTuple):
    """How it ended."""

    outcome: str  # of Sent, or what an earlier mail of that day ended in
    is_new: bool  # sent by this call
    said: str


class Patience(NamedTuple):
    """How long, and how, an attempt is made again."""

    seconds: float = 0.0  # one attempt
    sleep: Callable[[float], Any] = time.sleep
    stop: threading.Event = threading.Event()
    report: Callable[[str], object] = lambda _: None


def mail_digest(
    workspace: Workspace,
    settings: Settings,
    facts: DigestFacts,
    *,
    is_again: bool = False,
    patience: Patience | None = None,
) -> Mailed:
    """Sends the digest of a day unless it was sent (`is_again`: also then), and keeps how that ended in the history.

    To be called when no run of this process holds the workspace. Raises MailError or NoonmarkError where it was not
    sent, which is kept too, so that a later run of the same day tries again; WorkspaceBusyError where another does so.
    """
    patience = patience or Patience()
    recipients = settings.mail.recipients
    handover = workspace.digests / facts.day.isoformat() / ".mail-handover"  # there while a server may be taking it
    with _alone(workspace):
        with opened(workspace, wait_s=LOCK_WAIT_S, is_quiet=True) as run:
            if handover.exists():
                digests.note_mail(run.store, facts.day, Sent.UNKNOWN, recipients, "the run was killed meanwhile")
                publish(run)
                handover.unlink()
            before = digests.mailed(run.store, facts.day)
        if before is not None and not is_again:
            outcome, when = before
            told = f"the digest of {facts.day} was mailed at {when:%Y-%m-%d %H:%M} UTC ({outcome})"
            return Mailed(outcome, False, f"{told}; `noonmark digest --day {facts.day} --mail --again` mails it again")

        def note(outcome: str, detail: str = "") -> None:
            with opened(workspace, wait_s=LOCK_WAIT_S, is_quiet=True) as run:
                digests.note_mail(run.store, facts.day, outcome, recipients, detail)
                handover.unlink(missing_ok=True)
                publish(run)

        def tell_and_note(state: RetryCallState) -> None:
            error = state.outcome.exception() if state.outcome else None
            if state.attempt_number == 1:  # so that `status` knows while the waiting lasts
                note(Sent.FAILED, str(error))
            patience.report(f"{error}; the next attempt is in {state.upcoming_sleep:.0f} s")

        try:
            message = mail.compose(facts, settings.mail)
            for attempt in _attempts(patience, tell_and_note):
                with attempt:
                    try:
                        mail.send(message, settings.mail, before_handing_over=lambda: replace_file(handover, b""))
                    except NoonmarkError:
                        handover.unlink(missing_ok=True)  # the server said no, or never came to an answer
                        raise
        except NoonmarkError as error:
            note(error.end if isinstance(error, MailError) else Sent.FAILED, str(error))
            raise
        note(Sent.YES)
    return Mailed(Sent.YES, True, f"the digest of {facts.day} was mailed to {', '.join(recipients)}")


def _attempts(patience: Patience, before_sleep: Callable[[RetryCallState], None]) -> Retrying:
    return Retrying(
        retry=retry_if_exception(lambda error: isinstance(error, MailError) and error.is_temporary),
        stop=stop_any(stop_after_delay(patience.seconds), stop_when_event_set(patience.stop)),
        wait=wait_exponential(multiplier=FIRST_WAIT_S, max=LONGEST_WAIT_S),
        sleep=patience.sleep,
        before_sleep=before_sleep,
        reraise=True,
    )


@contextmanager
def _alone(workspace: Workspace) -> Iterator[None]:
    """One process at a time sends; it holds this lock, not the workspace's, while it waits for the server."""
    lock = FileLock(workspace.mail_lock_file)
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise WorkspaceBusyError(
            "another run is mailing the digest", str(workspace.root), "see `noonmark status`"
        ) from error
    try:
        yield
    finally:
        lock.release()
