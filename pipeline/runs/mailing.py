"""A day's digest by mail, once: after publishing, without holding the workspace, tried again after failures."""

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, NamedTuple

from filelock import FileLock, Timeout
from tenacity import RetryCallState, Retrying, retry_if_exception, stop_after_delay, stop_any, wait_exponential
from tenacity.stop import stop_when_event_set

from pipeline.config.settings import Settings
from pipeline.detection import folding
from pipeline.digest import DigestFacts, mail
from pipeline.digest.mail import MailError, Sent
from pipeline.digest.narrowing import Narrowed
from pipeline.digest.page import to_html
from pipeline.digest.sheet import all_sheets, installer_file
from pipeline.errors import NoonmarkError, WorkspaceBusyError
from pipeline.runs.digest_pages import facts_of
from pipeline.runs.session import Opened, opened, publish
from pipeline.store import digests
from pipeline.store.digests import Addressed
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
    stop: threading.Event | None = None
    report: Callable[[str], object] = lambda _: None


class Letter(NamedTuple):
    """One mail of a day: what it says, to whom."""

    facts: DigestFacts
    to: Addressed
    attached: Mapping[str, str] | None = None  # file name -> page; None = the digest's page


def mail_digest(
    workspace: Workspace,
    settings: Settings,
    facts: DigestFacts,
    *,
    is_again: bool = False,
    patience: Patience | None = None,
) -> Mailed:
    """Sends the digest of a day unless it was sent (`is_again`: also then), and keeps how that ended in the history.

    The desk's goes first; then, where the settings say so, each installer's of its own sites, if any of them has an
    exception. To be called when no run of this process holds the workspace. Raises MailError or NoonmarkError where
    one was not sent, which is kept too, so that a later run of the same day tries again: at once where the server is
    away, else after the others; WorkspaceBusyError where another does so.
    """
    patience = patience or Patience()
    found, failed = [], None
    with _alone(workspace):
        letters = [Letter(facts, Addressed(tuple(settings.mail.recipients)))]
        if settings.mail.to_installers:
            with opened(workspace, wait_s=LOCK_WAIT_S, is_quiet=True) as run:
                letters += _to_installers(run, facts)
        for letter in letters:
            try:
                found.append(_mail_one(workspace, settings, letter, is_again=is_again, patience=patience))
            except NoonmarkError as error:
                failed = failed or error
                if not isinstance(error, MailError) or error.is_temporary:
                    break
    if failed is not None:
        raise failed
    said = "; ".join(one.said for one in found)
    return Mailed(found[0].outcome, any(one.is_new for one in found), said)


def _to_installers(run: Opened, facts: DigestFacts) -> list[Letter]:
    """A letter for each installer with an e-mail of whose sites an exception is in view, of these sites alone."""
    concerned = {one.installer_id for one in facts.exceptions}
    folded = folding.fold(run.store, facts.day)
    letters = []
    for installer_id, installer in sorted(run.register.installers.items()):
        if installer.email and installer_id in concerned:
            own = facts_of(run, facts.day, folded, Narrowed(installer_id=installer_id))
            own = own.model_copy(
                update={
                    "title": f"{facts.title}: {installer.name or installer_id}",
                    "url": "",  # where the whole fleet's pages are, which are the desk's
                    "ingest": own.ingest.model_copy(update={"quarantined": [], "rejected": []}),
                }
            )
            attached = {f"digest-{facts.day}.html": to_html(own)}
            of_all_visits = installer_file(installer_id)
            attached |= {name: page for name, page in all_sheets(own) if name == of_all_visits}
            letters.append(Letter(own, Addressed((installer.email,), installer_id), attached))
    return letters


def _mail_one(
    workspace: Workspace, settings: Settings, letter: Letter, *, is_again: bool, patience: Patience
) -> Mailed:
    """Sends one letter unless it was sent, and keeps how that ended. Raises as `mail_digest` does."""
    day, to = letter.facts.day, letter.to
    whom = f"-{installer_file(to.installer_id)}" if to.installer_id else ""
    handover = workspace.digests / day.isoformat() / f".mail-handover{whom}"
    with opened(workspace, wait_s=LOCK_WAIT_S, is_quiet=True) as run:
        if handover.exists():  # it is there while a server may be taking the mail
            digests.note_mail(run.store, day, Sent.UNKNOWN, to, "the run was killed meanwhile")
            publish(run)
            handover.unlink()
        before = digests.mailed(run.store, day, to.installer_id)
    whose = f"the digest of {day}" + (f" for installer {to.installer_id}" if to.installer_id else "")
    if before is not None and not is_again:
        outcome, when = before
        sentence = f"{whose} was mailed at {when:%Y-%m-%d %H:%M} UTC ({outcome})"
        return Mailed(outcome, False, f"{sentence}; `noonmark digest --day {day} --mail --again` mails it again")

    def note(outcome: str, detail: str = "") -> None:
        with opened(workspace, wait_s=LOCK_WAIT_S, is_quiet=True) as run:
            digests.note_mail(run.store, day, outcome, to, detail)
            handover.unlink(missing_ok=True)
            publish(run)

    def tell_and_note(state: RetryCallState) -> None:
        error = state.outcome.exception() if state.outcome else None
        if state.attempt_number == 1:  # so that `status` knows while the waiting lasts
            note(Sent.FAILED, str(error))
        patience.report(f"{error}; the next attempt is in {state.upcoming_sleep:.0f} s")

    try:
        message = mail.compose(letter.facts, settings.mail, recipients=to.recipients, attached=letter.attached)
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
    return Mailed(Sent.YES, True, f"{whose} was mailed to {', '.join(to.recipients)}")


def _attempts(patience: Patience, before_sleep: Callable[[RetryCallState], None]) -> Retrying:
    return Retrying(
        retry=retry_if_exception(lambda error: isinstance(error, MailError) and error.is_temporary),
        stop=stop_any(stop_after_delay(patience.seconds), stop_when_event_set(patience.stop or threading.Event())),
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
