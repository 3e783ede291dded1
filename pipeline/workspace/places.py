"""The places of a workspace."""

from dataclasses import dataclass
from pathlib import Path

OWN_FILES = (  # beside the folders
    "noonmark.toml", "sites.csv", "arrays.csv", "devices.csv", "installers.csv", "noonmark.decisions.jsonl",
    "noonmark.duckdb", "noonmark.duckdb.wal",
)  # fmt: skip


@dataclass(frozen=True)
class Workspace:
    """The folder that holds everything of one firm."""

    root: Path
    is_named: bool = True  # False: nobody named it, it is the current folder

    @property
    def settings_file(self) -> Path:
        """The settings."""
        return self.root / "noonmark.toml"

    @property
    def sites_file(self) -> Path:
        """The register's sites."""
        return self.root / "sites.csv"

    @property
    def arrays_file(self) -> Path:
        """The register's planes of modules."""
        return self.root / "arrays.csv"

    @property
    def devices_file(self) -> Path:
        """The register's inverters."""
        return self.root / "devices.csv"

    @property
    def installers_file(self) -> Path:
        """The register's installers."""
        return self.root / "installers.csv"

    @property
    def profiles(self) -> Path:
        """The folder of the export profiles."""
        return self.root / "profiles"

    @property
    def inbox(self) -> Path:
        """Where exports arrive."""
        return self.root / "inbox"

    @property
    def archive(self) -> Path:
        """Exports that were taken in."""
        return self.root / "archive"

    @property
    def quarantine(self) -> Path:
        """Exports that cannot be read, each with its reason beside it."""
        return self.root / "quarantine"

    @property
    def database(self) -> Path:
        """The history, which the pipeline alone opens."""
        return self.root / "noonmark.duckdb"

    @property
    def older_readings(self) -> Path:
        """Months of readings that no longer lie in the history's own file."""
        return self.root / "readings"

    @property
    def reader(self) -> Path:
        """What analysts open."""
        return self.root / "reader"

    @property
    def digests(self) -> Path:
        """A folder for each day's digest."""
        return self.root / "digests"

    @property
    def lock_file(self) -> Path:
        """Held by the one run of the workspace."""
        return self.root / ".noonmark.lock"

    @property
    def mail_lock_file(self) -> Path:
        """Held while a digest is mailed."""
        return self.root / ".noonmark.mail.lock"

    @property
    def checked_file(self) -> Path:
        """What the last check found, and of which files."""
        return self.root / ".noonmark.checked.json"

    @property
    def archive_totals_file(self) -> Path:
        """What was seen of the archive's folders, so that they need not be looked through again."""
        return self.root / ".noonmark.archive.json"

    @property
    def heartbeat_file(self) -> Path:
        """When the service was last alive."""
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
