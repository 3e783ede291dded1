"""The connection to the history: opening, schema, transactions, runs and the register's copy."""

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import duckdb
import polars as pl

from detectors.frames import PLANES, SITES
from pipeline.errors import DamagedHistoryError, RefusedError, StorageError
from pipeline.workspace import resources

STORAGE_VERSION = "v1.0.0"  # same size, and older DuckDB releases can read it
# What DuckDB says when a file is well, but not to be had: it may not be opened, or there is no room for it.
DENIED = re.compile(r"permission denied|read-only file system", re.IGNORECASE)
NEWER = re.compile(r"newer version|version number", re.IGNORECASE)
NO_ROOM = re.compile(r"no space left|file too large|out of memory", re.IGNORECASE)
# The sites of parameter $asked: a list of thousands would be gone through for every row, what is joined is not; a frame
# that is offered costs more than most statements.
ASKED = "(SELECT unnest(CAST($asked AS VARCHAR[])) AS site_id)"
MEMORY_LIMIT = "1GB"  # ours: a night's batch needs a third of it; DuckDB spills beyond


class Store:
    """The history of one workspace, opened for writing. Use as a context manager.

    Raises DamagedHistoryError if the file is not whole, RefusedError if it may not be opened or another program holds
    it, StorageError if there is no room for it.
    """

    def __init__(self, database: Path) -> None:
        self.database = database
        self.is_inside = False  # a transaction
        self._register: dict[str, pl.DataFrame] = {}  # frames of the register's copy, read once
        self.con = duckdb.connect(":memory:")
        try:
            self.con.execute(f"ATTACH '{quoted(database)}' AS history (STORAGE_VERSION '{STORAGE_VERSION}')")
            spill = quoted(database.with_name(".spill"))
            for setting in (
                "USE history",
                "SET TimeZone = 'UTC'",
                "SET enable_progress_bar = false",
                "SET preserve_insertion_order = true",
                f"SET memory_limit = '{MEMORY_LIMIT}'",
                f"SET temp_directory = '{spill}'",
            ):
                self.con.execute(setting)
            self._migrate()
        except duckdb.Error as error:
            self.con.close()
            said = str(error).splitlines()[0]
            if "set lock" in said:
                raise RefusedError(
                    f"the history is held by another program ({said})", database.name, "close what holds it"
                ) from error
            for pattern, kind, remedy in (
                (DENIED, RefusedError, "set its owner and mode so that noonmark may read and write it"),
                (NEWER, RefusedError, "run the release of noonmark that wrote it, or a later one"),
                (NO_ROOM, StorageError, "free the disk or the memory, and run the command again"),
            ):
                if pattern.search(said):
                    raise kind(f"the history cannot be opened ({said})", database.name, remedy) from error
            raise DamagedHistoryError(
                f"the history is damaged ({said})", database.name, "run `noonmark ingest --rebuild`"
            ) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Ends the connection; all that was committed is in the file."""
        self.con.close()

    def _migrate(self) -> None:
        """Applies the schema files that were not applied yet: a new history's at once, else each with its log row."""
        has_log = self.value(
            "SELECT count(*) FROM duckdb_tables() WHERE database_name = 'history' AND table_name = 'schema_log'"
        )
        applied = {name for (name,) in self.con.execute("SELECT name FROM schema_log").fetchall()} if has_log else set()
        with nullcontext() if has_log else self.transaction():
            for file in sorted(resources.folder("sql").glob("0*.sql")):
                if file.stem not in applied:
                    with self.transaction():
                        self.con.execute(file.read_text(encoding="utf-8"))
                        self.con.execute("INSERT INTO schema_log VALUES (?, ?)", [file.stem, datetime.now(UTC)])

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All or nothing; nested use joins the outer transaction."""
        if self.is_inside:
            yield
            return
        self.con.execute("BEGIN")
        self.is_inside = True
        try:
            yield
        except BaseException:
            self._register.clear()
            with suppress(duckdb.Error):  # what ended the transaction may have ended the connection: the first counts
                self.con.execute("ROLLBACK")
            raise
        else:
            self.con.execute("COMMIT")
        finally:
            self.is_inside = False

    def frame(self, sql: str, parameters: Iterable[Any] | dict[str, Any] = ()) -> pl.DataFrame:
        """The whole result of a query; instants come as UTC."""
        given = parameters if isinstance(parameters, dict) else list(parameters)
        result = self.con.sql(sql, params=given).pl() if given else self.con.sql(sql).pl()
        return in_utc(result)

    def query(self, name: str, parameters: Iterable[Any] | dict[str, Any] = ()) -> pl.DataFrame:
        """The result of sql/query/NAME.sql."""
        return self.frame(resources.query(name), parameters)

    def value(self, sql: str, parameters: Iterable[Any] = ()) -> Any:
        """The first column of the first row, or None."""
        rows = self.con.execute(sql, list(parameters)).fetchall()  # a result read in part would block the connection
        return rows[0][0] if rows else None

    @contextmanager
    def offered(self, **frames: pl.DataFrame) -> Iterator[None]:
        """Frames that SQL may name until the block ends."""
        for name, frame in frames.items():
            self.con.register(name, frame.to_arrow())
        try:
            yield
        except BaseException:
            with suppress(duckdb.Error):  # a transaction that failed refuses this too; the first error is what counts
                self._take_back(frames)
            raise
        self._take_back(frames)

    def _take_back(self, names: Iterable[str]) -> None:
        for name in names:
            self.con.unregister(name)

    def insert(self, table: str, frame: pl.DataFrame) -> None:
        """Appends the frame's rows, column by name."""
        if frame.is_empty():
            return
        incoming = frame.to_arrow()  # noqa: F841 - SQL finds it by its name, which costs half of registering it
        self.con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM incoming")

    def replace(self, table: str, frame: pl.DataFrame) -> None:
        """Makes the frame the table's whole content."""
        self._register.clear()
        with self.transaction():
            self.con.execute(f"DELETE FROM {table}")
            self.insert(table, frame)

    def sites(self) -> pl.DataFrame:
        """SITES of the register's copy, by site_id."""
        return self._of_register("SELECT * FROM site ORDER BY site_id", SITES)

    def planes(self) -> pl.DataFrame:
        """PLANES of the register's copy."""
        return self._of_register("SELECT * FROM plane", PLANES)

    def _of_register(self, sql: str, schema: pl.Schema) -> pl.DataFrame:
        if sql not in self._register:
            self._register[sql] = self.frame(sql).cast(schema).select(schema.names())
        return self._register[sql]

    def start_run(self, job: str) -> int:
        """The number of a new run. Runs that never ended were killed: the lock lets only one live at a time."""
        self.con.execute("UPDATE run SET outcome = 'killed' WHERE outcome = 'running'")
        run_id = self.value("SELECT nextval('run_number')")
        self.con.execute("INSERT INTO run VALUES (?, ?, ?, NULL, 'running', '')", [run_id, job, datetime.now(UTC)])
        return int(run_id)

    def end_run(self, run_id: int, outcome: str, detail: str) -> None:
        """Notes the run's end now, its outcome and one line of detail."""
        self.con.execute(
            "UPDATE run SET ended_at = ?, outcome = ?, detail = ? WHERE run_id = ?",
            [datetime.now(UTC), outcome, detail, run_id],
        )


def in_utc(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame with every zoned instant in Polars' own UTC (DuckDB calls it Etc/UTC)."""
    zoned = [
        name
        for name, kind in frame.schema.items()
        if isinstance(kind, pl.Datetime) and kind.time_zone not in (None, "UTC")
    ]
    return frame.with_columns(pl.col(zoned).dt.convert_time_zone("UTC")) if zoned else frame


def quoted(path: Path) -> str:
    """The path as SQL text between quotes."""
    return str(path).replace("'", "''")
