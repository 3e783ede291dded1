"""The digest by mail: a sentence, the table, a link, and the page attached; over SMTP."""

import os
import smtplib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from enum import StrEnum
from typing import Protocol

from pipeline.digest.links import full
from pipeline.digest.model import DigestFacts, ExceptionFacts
from pipeline.digest.page import first_today, to_html
from pipeline.digest.rendering import environment
from pipeline.digest.text import subject, to_short_text
from pipeline.errors import NoonmarkError

TIMEOUT_S = 30.0  # ours, for each step: a server that takes longer will not get better while the morning's run waits
DEADLINE_S = 120.0  # ours, for one attempt: some 2 MB over 1 Mbit/s take 20 s, all else a few seconds
TLS_PORT = 465  # RFC 8314: submission with TLS from the first byte
WHERE = "[mail] in noonmark.toml"


class Sent(StrEnum):
    """How an attempt ended."""

    YES = "sent"
    IN_PART = "sent in part"  # some recipients were refused
    UNKNOWN = "unknown"  # the answer to the whole mail did not come
    FAILED = "failed"


class MailError(NoonmarkError):
    """The mail server did not take the mail; the digest itself is written, so that nothing is lost."""

    exit_status = 1

    def __init__(self, what: str, where: str, remedy: str, *, is_temporary: bool, end: Sent = Sent.FAILED) -> None:
        super().__init__(what, where, remedy)
        self.is_temporary = is_temporary  # may end well if tried again
        self.end = end


class MailSettings(Protocol):
    """What the [mail] section of the settings holds."""

    @property
    def host(self) -> str: ...
    @property
    def port(self) -> int: ...
    @property
    def starttls(self) -> bool: ...
    @property
    def user(self) -> str: ...
    @property
    def password_env(self) -> str: ...
    @property
    def sender(self) -> str: ...
    @property
    def recipients(self) -> Sequence[str]: ...


def compose(
    facts: DigestFacts,
    settings: MailSettings,
    *,
    recipients: Sequence[str] | None = None,
    attached: Mapping[str, str] | None = None,
) -> EmailMessage:
    """The message to the settings' recipients, or to others; `attached`: file name -> page, else the digest's.

    Raises NoonmarkError where sender or recipients are missing or no addresses.
    """
    message = addressed(settings, settings.recipients if recipients is None else recipients)
    message["Subject"] = subject(facts)
    message["Date"] = formatdate(localtime=False)
    message["Message-ID"] = make_msgid(domain=settings.sender.rpartition("@")[2].strip("> ") or "localhost")
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps absence notes from answering
    first = first_today(facts.exceptions)
    message.set_content(to_short_text(facts, first))
    message.add_alternative(to_mail_html(facts, first), subtype="html")
    pages = {f"digest-{facts.day}.html": to_html(facts)} if attached is None else attached
    for name, page in pages.items():
        message.add_attachment(page, subtype="html", filename=name)
    return message


def addressed(settings: MailSettings, recipients: Sequence[str]) -> EmailMessage:
    """A message without anything in it. Raises NoonmarkError where sender or recipients are missing or no addresses."""
    if not settings.sender or not recipients:
        raise NoonmarkError("the digest has no sender or no recipients", WHERE, "set sender and recipients")
    message = EmailMessage()
    try:
        message["From"] = settings.sender
        message["To"] = ", ".join(recipients)
    except ValueError as error:
        raise NoonmarkError(f"an address can't be used: {error}", WHERE, "write addresses as name@host") from error
    return message


def to_mail_html(facts: DigestFacts, first: Sequence[ExceptionFacts]) -> str:
    """The mail's own HTML: short, its few styles inline, since mail programs drop style sheets."""
    return (
        environment()
        .get_template("mail.html.j2")
        .render(
            facts=facts,
            first=first,
            page=full(facts.url, facts.day),
            link=lambda one: full(facts.url, facts.day, one.exception_id),
        )
    )


def send(
    message: EmailMessage,
    settings: MailSettings,
    environment: Mapping[str, str] = os.environ,
    *,
    deadline_s: float = DEADLINE_S,
    before_handing_over: Callable[[], None] = lambda: None,
) -> None:
    """Hands the message to the mail server, in one attempt that ends after `deadline_s` at the latest.

    Each step waits for the server for TIMEOUT_S at most. `before_handing_over` is called once the server accepted a
    recipient: only after that can it have taken the mail.

    Raises MailError with the server's answer where it does not take it, and NoonmarkError where the settings
    cannot work.
    """
    if not settings.host:
        raise NoonmarkError("no mail server is set", WHERE, "set host, or leave out --mail")
    password = environment.get(settings.password_env, "") if settings.user else ""
    if settings.user and not password:
        raise NoonmarkError(
            f"the password of mail user {settings.user} is missing",
            f"environment variable {settings.password_env}",
            "set it, or leave user empty",
        )
    server = f"{settings.host}:{settings.port}"
    is_handed_over = False
    try:
        with _connection(settings, deadline_s) as connection:
            if settings.user:
                connection.login(settings.user, password)
            take_data = connection.data

            def hand_over(content: bytes | str) -> tuple[int, bytes]:
                nonlocal is_handed_over
                before_handing_over()
                is_handed_over = True
                return take_data(content)

            connection.data = hand_over  # type: ignore[method-assign, assignment]
            refused = connection.send_message(message)
            with suppress(smtplib.SMTPException, OSError):  # the mail is taken: how the server says goodbye is all one
                connection.quit()
    except (smtplib.SMTPException, OSError) as error:
        if is_handed_over and not isinstance(error, smtplib.SMTPResponseException):
            what = f"the mail server did not say whether it took the mail: {_answer(error)}"
            raise MailError(what, server, "ask a recipient", is_temporary=False, end=Sent.UNKNOWN) from error
        raise _mail_error(error, server) from error
    if refused:
        remedy = f"check recipients in {WHERE}"
        what = f"the mail was refused for {', '.join(sorted(refused))}"
        raise MailError(what, server, remedy, is_temporary=False, end=Sent.IN_PART)


def _mail_error(error: smtplib.SMTPException | OSError, server: str) -> MailError:
    """What went wrong, for the person who minds the settings."""
    # RFC 5321, 4.2.1: an answer of 4yz is temporary, one of 5yz is not; no answer at all may be one the next time.
    code = error.smtp_code if isinstance(error, smtplib.SMTPResponseException) else 400
    if isinstance(error, smtplib.SMTPAuthenticationError):
        return MailError(
            f"the mail server refused the user: {_answer(error)}", server, "check user", is_temporary=code < 500
        )
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        what = f"no recipient was accepted: {', '.join(error.recipients)}"
        is_temporary = any(answer[0] < 500 for answer in error.recipients.values())
        return MailError(what, server, f"check recipients in {WHERE}", is_temporary=is_temporary)
    if isinstance(error, smtplib.SMTPNotSupportedError):
        remedy = f"check starttls and user in {WHERE}"
        return MailError(f"the mail server can't do what is set: {error}", server, remedy, is_temporary=False)
    is_temporary = code < 500 and not isinstance(error, ssl.SSLCertVerificationError)
    return MailError(f"the mail was not sent: {_answer(error)}", server, f"check {WHERE}", is_temporary=is_temporary)


@contextmanager
def _connection(settings: MailSettings, deadline_s: float) -> Iterator[smtplib.SMTP]:
    """A connection that greeted and, where it is set, was encrypted; shut when the deadline passes, whatever it does.

    A time-out of the socket alone would not do: it begins anew with every byte of a server that never comes to an end.
    """
    context = ssl.create_default_context()
    is_tls = settings.port == TLS_PORT
    connection = smtplib.SMTP_SSL(timeout=TIMEOUT_S, context=context) if is_tls else smtplib.SMTP(timeout=TIMEOUT_S)
    done, late = threading.Event(), threading.Event()

    def watch() -> None:
        if done.wait(deadline_s):
            return
        late.set()
        while not done.wait(0.1):  # the socket may not be there yet
            with suppress(OSError, AttributeError):
                connection.sock.shutdown(socket.SHUT_RDWR)  # type: ignore[union-attr]

    threading.Thread(target=watch, name="mail deadline", daemon=True).start()
    try:
        # smtplib checks certificates against this name, which only its constructor would set; it would connect at once.
        connection._host = settings.host  # type: ignore[attr-defined]
        code, words = connection.connect(settings.host, settings.port)
        if code != 220:  # RFC 5321, 3.1
            raise smtplib.SMTPConnectError(code, words)
        if settings.starttls and not is_tls:
            connection.starttls(context=context)
        yield connection
    except (smtplib.SMTPException, OSError) as error:
        if late.is_set():
            raise TimeoutError(f"the server took longer than {deadline_s:g} s") from error
        raise
    finally:
        done.set()
        connection.close()


def _answer(error: Exception) -> str:
    """The server's words on one line."""
    if isinstance(error, smtplib.SMTPResponseException):
        text = error.smtp_error
        words = text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)
        return " ".join(f"{error.smtp_code} {words}".split())
    return " ".join(str(error).split()) or type(error).__name__
