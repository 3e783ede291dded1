"""What runs say while they run: lines for people, or JSON lines for machines, one per file group and job."""

import json
import logging
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import IO, TYPE_CHECKING, Any

from pipeline.counted import counted
from pipeline.errors import alike

if TYPE_CHECKING:
    from pipeline.ingest.model import IngestResult

LOG = logging.getLogger("noonmark")
TEXT, JSON = "text", "json"


class JsonLines(logging.Formatter):
    """One JSON object a line: at (UTC), level, said, and the fields of the event where it has some."""

    def format(self, record: logging.LogRecord) -> str:
        """The line of one record."""
        at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        said = " ".join(record.getMessage().split())
        fields: dict[str, Any] = {"at": at, "level": record.levelname.lower(), "said": said}
        return json.dumps({**fields, **getattr(record, "event", {})}, ensure_ascii=False, default=str)


def set_up(form: str, stream: IO[str], *, is_verbose: bool) -> None:
    """Sends the log to `stream`; with `is_verbose` also what went well."""
    handler = logging.StreamHandler(stream)
    handler.setFormatter(JsonLines() if form == JSON else logging.Formatter("%(asctime)s %(message)s"))
    logging.basicConfig(level=logging.INFO if is_verbose else logging.WARNING, handlers=[handler], force=True)
    logging.getLogger("apscheduler").setLevel(logging.WARNING)


def event(name: str, **fields: object) -> Mapping[str, object]:
    """For `extra`: what a machine reads of a line."""
    return {"event": {"event": name, **fields}}


def tell_job(job: str, outcome: str, detail: str, started: float) -> None:
    """A job has ended; `started` is what time.monotonic() said when it began."""
    seconds = round(time.monotonic() - started, 3)
    said = "; ".join(part for part in (outcome, detail) if part)
    level = logging.ERROR if outcome == "failed" else logging.INFO
    LOG.log(level, "%s: %s", job, said, extra=event("job", job=job, outcome=outcome, detail=detail, seconds=seconds))


def tell_files(result: "IngestResult") -> None:
    """What became of the files: a line per profile, and one per reason for those that a person must see to."""
    for profile, (files, rows, rejected) in sorted(result.by_profile.items()):
        LOG.info(
            "taken in %s of profile %s: %s, %d rejected",
            counted(files, "file"), profile, counted(rows, "row"), rejected,
            extra=event("files", outcome="taken in", profile=profile, files=files, rows=rows, rejected=rejected),
        )  # fmt: skip
    for outcome, found in (("quarantined", result.quarantined), ("skipped", result.skipped)):
        for named, reason, count in alike(found):
            LOG.warning(
                "%s %s: %s", outcome, named, reason,
                extra=event("files", outcome=outcome, files=count, first=named.partition(" and ")[0], reason=reason),
            )  # fmt: skip


def is_json() -> bool:
    """Whether the log was asked for in JSON."""
    return any(isinstance(handler.formatter, JsonLines) for handler in logging.getLogger().handlers)


def error_line(said: str) -> None:
    """The line that ends a command."""
    LOG.error("%s", said, extra=event("error"))
