"""The places of a workspace."""

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Workspace:
    """The folder that holds everything of one firm."""

    root: Path
    is_named: bool = True  # False: nobody named it, it is the current folder

    @property
    def settings_file(self) -> Path:
        return self.root / "noonmark.toml"

    @property
    def sites_file(self) -> Path:
        return self.root / "sites.csv"

    @property
    def arrays_file(self) -> Path:
        return self.root / "arrays.csv"

    @property
    def devices_file(self) -> Path:
        return self.root / "devices.csv"

    @property
    def installers_file(self) -> Path:
        return self.root / "installers.csv"

    @property
    def profiles(self) -> Path:
        return self.root / "profiles"

    @property
    def inbox(self) -> Path:
        return self.root / "inbox"

    @property
    def archive(self) -> Path:
        return self.root / "archive"

    @property
    def quarantine(self) -> Path:
        return self.root / "quarantine"

    @property
    def database(self) -> Path:
        return self.root / "noonmark.duckdb"

    @property
    def reader(self) -> Path:
        return self.root / "reader"

    @property
    def digests(self) -> Path:
        return self.root / "digests"

    @property
    def lock_file(self) -> Path:
        return self.root / ".noonmark.lock"

    @property
    def mail_lock_file(self) -> Path:
        return self.root / ".noonmark.mail.lock"

    @property
    def checked_file(self) -> Path:
        return self.root / ".noonmark.checked.json"

    @property
    def heartbeat_file(self) -> Path:
        return self.root / ".noonmark.heartbeat.json"

    @property
    def copy(self) -> Path:
        """The history as it was after a clean close."""
        return self.root / "noonmark.copy.duckdb"

    @property
    def damaged(self) -> Path:
        """A history that did not open, kept for whoever wants to look into it."""
        return self.root / "noonmark.damaged.duckdb"

    @property
    def decision_log(self) -> Path:
        """What people decided, as text."""
        return self.root / "noonmark.decisions.jsonl"
