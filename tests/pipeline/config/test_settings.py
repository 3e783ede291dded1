"""noonmark.toml: the defaults, and every fault with its place."""

from pathlib import Path

import pytest

from pipeline.config.settings import Settings, load_settings
from pipeline.errors import Fault
from pipeline.workspace.places import Workspace


def load(root: Path, text: str | None) -> tuple[Settings, list[Fault]]:
    if text is not None:
        (root / "noonmark.toml").write_text(text, encoding="utf-8")
    return load_settings(Workspace(root))


@pytest.mark.parametrize("text", [None, "", "# nothing\n", "[mail]\n"])
def test_a_missing_or_empty_file_is_valid(tmp_path, text):
    settings, faults = load(tmp_path, text)
    assert faults == []
    assert settings.model_dump() == {
        "ingest": {"settle_s": 60.0, "max_export_mib": 256, "batch_files": 500},
        "detect": {"judge_after_h": 3.0, "false_alarms_per_site_year": 0.05},
        "schedule": {"ingest_every_min": 5.0, "digest_at": "06:30", "timezone": "UTC"},
        "digest": {"title": "", "top": 20, "url": "", "rates": {}},
        "mail": {
            "host": "", "port": 587, "starttls": True, "user": "", "password_env": "NOONMARK_MAIL_PASSWORD",
            "sender": "", "recipients": (), "to_installers": False, "retry_for_min": 240.0,
        },
        "reader": {"keep_h": 48.0},
        "compute": {"workers": 1, "cluster": ""},
        "keep": {"readings_days": 400, "evidence_days": 400, "digests_days": 400},
    }  # fmt: skip


def test_what_is_written_is_taken(tmp_path):
    settings, faults = load(
        tmp_path,
        """
        schedule.timezone = "Asia/Kathmandu"
        [ingest]
        settle_s = 0
        [mail]
        host = "mail.example.org"
        sender = "noonmark@example.org"
        recipients = ["desk@example.org"]
        """,
    )
    assert faults == []
    assert (settings.schedule.timezone, settings.ingest.settle_s, settings.ingest.batch_files) == (
        "Asia/Kathmandu", 0.0, 500,
    )  # fmt: skip
    assert settings.mail.recipients == ("desk@example.org",)


@pytest.mark.parametrize(
    ("text", "line", "place", "value", "remedy"),
    [
        ("[ingst]\nsettle_s = 3", 1, "[ingst]", "ingst", "write ingest"),
        ("settle_s = 3", 1, "settle_s", "settle_s", "known are"),
        ("[ingest]\nsettle = 3", 2, "[ingest] settle", "settle", "write settle_s"),
        ("[ingest]\nsettle_s = -1", 2, "[ingest] settle_s", "-1", "0 or more"),
        ('[ingest]\nsettle_s = "2"', 2, "[ingest] settle_s", "2", "without quotes"),
        ("[ingest]\nsettle_s = inf", 2, "[ingest] settle_s", "inf", "plain number"),
        ("[ingest]\n\nmax_export_mib = 0", 3, "[ingest] max_export_mib", "0", "above 0"),
        ("[ingest]\nbatch_files = 1.5", 2, "[ingest] batch_files", "1.5", "whole number"),
        ("ingest = 5", 1, "ingest", "5", "[table]"),
        ('[schedule]\ndigest_at = "6:30"', 2, "[schedule] digest_at", "6:30", "HH:MM"),
        ('[schedule]\ndigest_at = "24:00"', 2, "[schedule] digest_at", "24:00", "HH:MM"),
        ("[schedule]\ndigest_at = 06:30:00", 2, "[schedule] digest_at", "06:30:00", "HH:MM"),
        ('[schedule]\ntimezone = "vienna"', 2, "[schedule] timezone", "vienna", "write Europe/Vienna"),
        ("[schedule]\ningest_every_min = 0", 2, "[schedule] ingest_every_min", "0", "above 0"),
        ("[digest]\ntop = true", 2, "[digest] top", "true", "whole number"),
        ("[mail]\nport = 65536", 2, "[mail] port", "65536", "65535 or less"),
        ('[mail]\nstarttls = "yes"', 2, "[mail] starttls", "yes", "true or false"),
        ('[mail]\nrecipients = "a@b.example"', 2, "[mail] recipients", "a@b.example", "list"),
        ('[mail]\nrecipients = ["a@b.example", "desk"]', 2, "[mail] recipients", "desk", "one address"),
        (
            '[mail]\nsender = "a@b.example\\nBcc: c@d.example"',
            2,
            "[mail] sender",
            "a@b.example\nBcc: c@d.example",
            "one",
        ),
        ('[mail]\npassword = "x"', 2, "[mail] password", "password", "write password_env"),
        ('[mail]\nhost = "h"\nrecipients = ["a@b.example"]', 1, "[mail] sender", None, "add sender"),
        ("[reader]\nkeep_h = -1", 2, "[reader] keep_h", "-1", "0 or more"),
        ("[reader\n", 1, None, None, "fix the line"),
    ],
)
def test_a_fault_is_told_with_its_place_and_remedy(tmp_path, text, line, place, value, remedy):
    settings, faults = load(tmp_path, text)
    assert [(fault.file, fault.line, fault.column, fault.value) for fault in faults] == [
        ("noonmark.toml", line, place, value)
    ]
    assert remedy in faults[0].remedy
    assert settings == Settings()


def test_all_faults_at_once(tmp_path):
    faults = load(
        tmp_path, '[ingest]\nsettel_s = 1\nbatch_files = 0\n[schedule]\ntimezone = "x"\n[mail]\nhost = "h"\n'
    )[1]
    assert [(fault.line, fault.column) for fault in faults] == [
        (2, "[ingest] settel_s"),
        (3, "[ingest] batch_files"),
        (5, "[schedule] timezone"),
        (6, "[mail] sender"),
        (6, "[mail] recipients"),
    ]
