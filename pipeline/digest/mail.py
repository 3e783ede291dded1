"""The digest by mail: text with an HTML alternative, over SMTP."""

import os
import smtplib
import ssl
from collections.abc import Mapping, Sequence
from email.message import EmailMessage
from email.utils import formatdate, make_msgid
from typing import Protocol

from pipeline.digest.model import DigestFacts
from pipeline.digest.page import to_html
from pipeline.digest.text import subject, to_text
from pipeline.errors import NoonmarkError

TIMEOUT_S = 30.0  # ours: a mail server that takes longer will not get better while the morning's run waits
TLS_PORT = 465  # RFC 8314: submission with TLS from the first byte
WHERE = "[mail] in noonmark.toml"


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


def compose(facts: DigestFacts, settings: MailSettings) -> EmailMessage:
    """The message; NoonmarkError where sender or recipients are missing or no addresses."""
    if not settings.sender or not settings.recipients:
        raise NoonmarkError("the digest has no sender or no recipients", WHERE, "set sender and recipients")
    message = EmailMessage()
    try:
        message["From"] = settings.sender
        message["To"] = ", ".join(settings.recipients)
    except ValueError as error:
        raise NoonmarkError(f"an address can't be used: {error}", WHERE, "write addresses as name@host") from error
    message["Subject"] = subject(facts)
    message["Date"] = formatdate(localtime=False)
    message["Message-ID"] = make_msgid(domain=settings.sender.rpartition("@")[2].strip("> ") or "localhost")
    message["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps absence notes from answering
    message.set_content(to_text(facts))
    message.add_alternative(to_html(facts), subtype="html")
    return message


def send(message: EmailMessage, settings: MailSettings, environment: Mapping[str, str] = os.environ) -> None:
    """Hands the message to the mail server; NoonmarkError with the server's answer where it does not take it."""
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
    try:
        with _connect(settings) as connection:
            if settings.user:
                connection.login(settings.user, password)
            refused = connection.send_message(message)
    except smtplib.SMTPAuthenticationError as error:
        raise NoonmarkError(f"the mail server refused the user: {_answer(error)}", server, "check user") from error
    except smtplib.SMTPRecipientsRefused as error:
        mend = f"check recipients in {WHERE}"
        raise NoonmarkError(f"no recipient was accepted: {', '.join(error.recipients)}", server, mend) from error
    except smtplib.SMTPNotSupportedError as error:
        mend = f"check starttls and user in {WHERE}"
        raise NoonmarkError(f"the mail server can't do what is set: {error}", server, mend) from error
    except (smtplib.SMTPException, OSError) as error:
        raise NoonmarkError(f"the mail was not sent: {_answer(error)}", server, f"check {WHERE}") from error
    if refused:
        mend = f"check recipients in {WHERE}"
        raise NoonmarkError(f"the mail was refused for {', '.join(sorted(refused))}", server, mend)


def _connect(settings: MailSettings) -> smtplib.SMTP:
    if settings.port == TLS_PORT:
        context = ssl.create_default_context()
        return smtplib.SMTP_SSL(settings.host, settings.port, timeout=TIMEOUT_S, context=context)
    connection = smtplib.SMTP(settings.host, settings.port, timeout=TIMEOUT_S)
    if settings.starttls:
        try:
            connection.starttls(context=ssl.create_default_context())
        except BaseException:
            connection.close()
            raise
    return connection


def _answer(error: Exception) -> str:
    """The server's words on one line."""
    if isinstance(error, smtplib.SMTPResponseException):
        text = error.smtp_error
        words = text.decode("utf-8", "replace") if isinstance(text, bytes) else str(text)
        return " ".join(f"{error.smtp_code} {words}".split())
    return " ".join(str(error).split()) or type(error).__name__
