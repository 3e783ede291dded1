"""The digest's mail: after publishing, once a day, tried again where the server is away."""

import email
import email.policy
import json
import shutil
import socket
import threading
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline.commands.cli import main
from pipeline.digest import DigestFacts
from pipeline.digest.mail import MailError
from pipeline.runs import mailing
from pipeline.runs.check import check_or_refuse
from pipeline.runs.mailing import Patience, mail_digest
from pipeline.store import reader
from pipeline.workspace.places import Workspace
from tests.pipeline.digest.smtp import served
from tests.support import desk
from tests.support.snapshot import Snapshot

pytestmark = pytest.mark.usefixtures("few_detectors")


def closed_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def set_mail(space: Workspace, port: int) -> None:
    space.settings_file.write_text(
        f'[ingest]\nsettle_s = 0\n[mail]\nhost = "127.0.0.1"\nport = {port}\nstarttls = false\n'
        'sender = "desk@example.org"\nrecipients = ["ann@example.org"]\n',
        encoding="utf-8",
    )


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    """A workspace after a morning's cycle whose mail server was not there."""
    space = desk.make(tmp_path_factory.mktemp("mail") / "desk")
    set_mail(space, closed_port())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mailing, "COMMAND_PATIENCE_S", 0.0)
        assert main(["-w", str(space.root), "cycle", "--mail"]) == 1
    return space


def mails(space: Workspace) -> list[str]:
    return [row["outcome"] for row in reader.ask(space.reader, "FROM mail ORDER BY attempted_at").to_dicts()]


def facts(space: Workspace) -> DigestFacts:
    return DigestFacts.model_validate_json((space.digests / "2026-05-06" / "digest.json").read_text(encoding="utf-8"))


@pytest.mark.slow
def test_a_dead_server_loses_nothing_and_the_next_run_mails_once(
    lived: Workspace, capsys: pytest.CaptureFixture[str]
) -> None:
    assert reader.ask(lived.reader, "SELECT count(*) AS n FROM judged")["n"][0] > 0  # published all the same
    assert mails(lived) == ["failed"]
    assert main(["-w", str(lived.root), "status", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert any("mail failed" in line for line in told["problems"])
    with served() as server:
        set_mail(lived, server.server_address[1])
        for _ in range(2):
            assert main(["-w", str(lived.root), "cycle", "--mail"]) == 0
        assert len(server.mails) == 1
        assert mails(lived) == ["failed", "sent"]
        assert main(["-w", str(lived.root), "status"]) == 0
        assert main(["-w", str(lived.root), "digest", "--mail"]) == 0
        assert len(server.mails) == 1
        assert main(["-w", str(lived.root), "digest", "--mail", "--again"]) == 0
        assert len(server.mails) == 2


@pytest.mark.slow
def test_each_installer_gets_its_own_sites_once(not_mailed: Snapshot, capsys: pytest.CaptureFixture[str]) -> None:
    """R-2 feeds the grid and may not: its installer is told, and one whose sites are healthy, or not named, is not."""
    space = Workspace(not_mailed.restored())
    register = space.sites_file.read_text(encoding="utf-8")
    space.sites_file.write_text(register.replace("Vienna,10,,,I-1", "Vienna,10,,,I-2"), encoding="utf-8")
    with space.installers_file.open("a", encoding="utf-8") as file:
        file.write("I-2,Alder Fitters,post@alder.example\nI-3,Nobody,\n")
    with served() as server:
        set_mail(space, server.server_address[1])
        with space.settings_file.open("a", encoding="utf-8") as file:
            file.write("to_installers = true\n")
        server.refuse = {"RCPT TO:<POST@LARCH": "550 no such user"}
        assert main(["-w", str(space.root), "digest", "--mail"]) == 1
        assert "550" not in capsys.readouterr().out
        server.refuse = {}
        for _ in range(2):
            assert main(["-w", str(space.root), "digest", "--mail"]) == 0
        sent = [email.message_from_bytes(raw, policy=email.policy.default) for raw in server.mails]
    assert [message["To"] for message in sent] == ["ann@example.org", "post@larch.example"]
    (page, *_) = [part.get_content() for part in sent[1].iter_attachments()]
    assert "Larch Fitters" in sent[1]["Subject"] and "Pond Row" in page and "Mill Lane" not in page
    told = reader.ask(space.reader, "SELECT installer_id, outcome FROM mail ORDER BY attempted_at").rows()
    assert told == [("", "sent"), ("I-1", "failed"), ("I-1", "sent")]


@pytest.fixture(scope="module")
def not_mailed(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> Snapshot:
    root = shutil.copytree(desk_after_a_cycle, tmp_path_factory.mktemp("morning") / "desk", symlinks=True)
    set_mail(Workspace(root), closed_port())
    return Snapshot(root)


@pytest.fixture
def morning(not_mailed: Snapshot, monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    """A digest to be mailed, and what a stand-in for the server does at each attempt."""
    space = Workspace(not_mailed.restored())
    made = SimpleNamespace(space=space, answers=[], waits=[], attempts=0)

    def send(*_: object, before_handing_over) -> None:
        made.attempts += 1
        answer = made.answers.pop(0)
        if answer == "killed":
            before_handing_over()
            raise KeyboardInterrupt
        if answer is not None:
            raise MailError("no", "127.0.0.1", "wait", is_temporary=answer)

    monkeypatch.setattr(mailing.mail, "send", send)
    made.mail = lambda seconds=3600.0, stop=None: mail_digest(
        space,
        check_or_refuse(space).settings,
        facts(space),
        patience=Patience(seconds, made.waits.append, stop or threading.Event()),
    )
    return made


def test_it_waits_longer_each_time_and_ends_with_the_mail(morning: SimpleNamespace) -> None:
    morning.answers = [True, True, True, None]
    assert morning.mail().is_new
    assert morning.waits == sorted(morning.waits)
    assert len(set(morning.waits)) == 3
    assert mails(morning.space) == ["failed", "sent"]


def test_what_a_person_must_put_right_is_not_tried_again(morning: SimpleNamespace) -> None:
    morning.answers = [False]
    with pytest.raises(MailError):
        morning.mail()
    assert morning.attempts == 1


def test_a_service_that_ends_does_not_wait(morning: SimpleNamespace) -> None:
    stop = threading.Event()
    stop.set()
    morning.answers = [True]
    with pytest.raises(MailError):
        morning.mail(stop=stop)
    assert (morning.attempts, morning.waits) == (1, [])


@pytest.mark.slow
def test_a_run_that_is_killed_while_the_server_takes_the_mail_is_not_followed_by_a_second_one(
    morning: SimpleNamespace,
) -> None:
    morning.answers = ["killed", None]
    with pytest.raises(KeyboardInterrupt):
        morning.mail()
    again = morning.mail()
    assert (again.outcome, again.is_new, morning.attempts) == ("unknown", False, 1)
    assert mails(morning.space) == ["unknown"]
