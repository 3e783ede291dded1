"""The mail reaches a small SMTP server on this machine, and every refusal is told in one line."""

import email
import email.message
import email.policy
import socket
import threading
from types import SimpleNamespace

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.handlers import Message
from aiosmtpd.smtp import AuthResult

from pipeline.digest.mail import MailError, Sent, compose, send
from pipeline.digest.page import to_html
from pipeline.digest.text import subject, to_short_text
from pipeline.errors import NoonmarkError
from tests.pipeline.digest.smtp import Greeter, served
from tests.support.digest_facts import morning
from tests.support.pages import parsed, text_of


@pytest.fixture
def sink():
    with served() as server:
        yield server


def mail_settings(port: int = 1, **changed) -> SimpleNamespace:
    usual = {
        "host": "127.0.0.1",
        "port": port,
        "starttls": False,
        "user": "",
        "password_env": "MAIL_SECRET",
        "sender": "Desk <desk@example.org>",
        "recipients": ["ann@example.org", "bo@example.org"],
    }
    return SimpleNamespace(**(usual | changed))


def test_text_and_page_arrive(sink):
    settings, facts = mail_settings(sink.server_address[1]), morning()
    send(compose(facts, settings), settings, {})
    (raw,) = sink.mails
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert message["Subject"] == subject(facts)
    assert message["To"] == "ann@example.org, bo@example.org"
    assert message["Date"] and message["Message-ID"].endswith("@example.org>")
    assert message.get_body(("plain",)).get_content().split() == to_short_text(facts, facts.exceptions).split()
    short = message.get_body(("html",)).get_content()
    assert text_of(parsed(short)).count("Roof 0") == 2  # in the sentence, and in the table
    (page,) = message.iter_attachments()
    assert (page.get_filename(), page.get_content_type()) == ("digest-2026-04-14.html", "text/html")
    assert page.get_content().split() == to_html(facts).split()
    assert len(short.encode()) < 20_000
    rcpt = [line for line in sink.heard if line.startswith("RCPT") or line.startswith("rcpt")]
    assert len(rcpt) == 2
    assert max(len(line) for line in raw.splitlines()) <= 998  # RFC 5322, 2.1.1


class Box(Message):
    """What a server of the aiosmtpd library took in."""

    def __init__(self) -> None:
        super().__init__()
        self.mails: list[email.message.Message] = []

    def handle_message(self, message: email.message.Message) -> None:
        self.mails.append(message)


@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")  # the server is on this machine
def test_a_well_kept_server_takes_it_after_a_login():
    """Outside reference: aiosmtpd, which follows RFC 5321 and RFC 4954, with a login that only one password opens."""

    def is_right(_server, _session, _envelope, _mechanism, given) -> AuthResult:
        is_known = (given.login, given.password) == (b"desk", b"s3cret")
        return AuthResult(success=is_known, handled=False)  # the server answers 535

    box = Box()
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = one.getsockname()[1]
    server = Controller(
        box, hostname="127.0.0.1", server_hostname="desk.example", port=port,  # else it asks for its own name
        authenticator=is_right, auth_required=True, auth_require_tls=False,
    )  # fmt: skip
    server.start()
    try:
        settings = mail_settings(port, user="desk")
        send(compose(morning(), settings), settings, {"MAIL_SECRET": "s3cret"})
        refused = told(settings, {"MAIL_SECRET": "wrong"})
        assert "535" in refused and "s3cret" not in refused and "wrong" not in refused
    finally:
        server.stop()
    (message,) = box.mails
    assert message["X-RcptTo"] == "ann@example.org, bo@example.org"
    assert {part.get_content_type() for part in message.walk()} >= {"text/plain", "text/html", "multipart/mixed"}


def test_the_password_comes_from_the_environment(sink):
    sink.has_login = True
    settings = mail_settings(sink.server_address[1], user="desk")
    message = compose(morning(), settings)
    send(message, settings, {"MAIL_SECRET": "s3cret"})
    assert len(sink.mails) == 1 and any(line.startswith("AUTH") for line in sink.heard)
    with pytest.raises(NoonmarkError, match="MAIL_SECRET") as missing:
        send(message, settings, {})
    assert "s3cret" not in str(missing.value)


def told(settings, environment=None) -> str:
    with pytest.raises(NoonmarkError) as caught:
        send(compose(morning(), settings), settings, environment or {})
    text = str(caught.value)
    assert "\n" not in text and caught.value.where and caught.value.remedy
    return text


def test_refusals_are_told(sink):
    port = sink.server_address[1]
    sink.refuse = {"RCPT TO:<BO": "550 no such user"}
    assert "refused for bo@example.org" in told(mail_settings(port))
    assert len(sink.mails) == 1  # ann has hers
    sink.refuse = {"RCPT": "550 nobody here"}
    assert "no recipient was accepted: ann@example.org, bo@example.org" in told(mail_settings(port))
    sink.refuse = {"MAIL": "451 come back later"}
    assert "451 come back later" in told(mail_settings(port))
    sink.refuse = {}
    assert "starttls" in told(mail_settings(port, starttls=True))
    sink.has_login, sink.refuse = True, {"AUTH": "535 wrong password"}
    text = told(mail_settings(port, user="desk"), {"MAIL_SECRET": "s3cret"})
    assert "535 wrong password" in text and "s3cret" not in text


def test_a_server_that_is_not_there(sink):
    port = sink.server_address[1]
    sink.shutdown()
    sink.server_close()
    assert f"127.0.0.1:{port}" in told(mail_settings(port))


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"host": ""}, "no mail server is set"),
        ({"sender": ""}, "no sender"),
        ({"recipients": []}, "no recipients"),
        ({"recipients": ["a@example.org\nBcc: b@example.org"]}, "address"),
        ({"sender": "a@example.org\r\nX: y"}, "address"),
    ],
)
def test_settings_that_can_not_work(changed, says):
    assert says in told(mail_settings(**changed))


def test_a_server_that_greets_for_ever_is_given_up():
    with served(Greeter) as server:
        settings = mail_settings(server.server_address[1])
        ended = []

        def attempt() -> None:
            with pytest.raises(MailError, match="longer than") as caught:
                send(compose(morning(), settings), settings, {}, deadline_s=0.2)
            ended.append(caught.value.is_temporary)

        thread = threading.Thread(target=attempt, daemon=True)
        thread.start()
        thread.join(20)  # without a deadline it would never end
        assert ended == [True]


def test_only_what_may_end_well_is_worth_another_attempt(sink):
    settings = mail_settings(sink.server_address[1])

    def attempt() -> MailError:
        with pytest.raises(MailError) as caught:
            send(compose(morning(), settings), settings, {})
        return caught.value

    # RFC 5321, 4.2.1: 4yz is temporary, 5yz is not.
    for command, answer, is_temporary in (
        ("MAIL", "451 later", True),
        ("MAIL", "550 never", False),
        ("RCPT", "550 no", False),
    ):
        sink.refuse = {command: answer}
        error = attempt()
        assert (error.is_temporary, error.end) == (is_temporary, Sent.FAILED)
    sink.refuse = {"RCPT TO:<BO": "550 no such user"}
    assert attempt().end == Sent.IN_PART
    sink.refuse, sink.is_cut_after_data = {}, True
    error = attempt()
    assert (error.is_temporary, error.end) == (False, Sent.UNKNOWN)
