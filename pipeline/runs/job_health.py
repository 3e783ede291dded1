"""Whether the recurring jobs do what they should: from the run ledger and the service's heartbeat."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple

from pipeline.timezones.zones import tzinfo_of

GOOD = ("done", "needs a person")
BAD = ("failed", "killed")
RECURRING = ("ingest", "detect", "digest", "cycle", "mail")  # others are typed by a person, who was told how they ended
PARTS_OF_A_CYCLE = ("ingest", "detect", "digest")
SILENT_S = 300.0  # ours: ten beats; a machine that sleeps or swaps loses a few
INGEST_LATE = timedelta(hours=1)  # ours: a morning's cycle of a large fleet takes minutes, one of many days an hour;
INGEST_TURNS = 3  # and longer where the turns are rare
CYCLE_LATE = timedelta(hours=2)  # ours: the same, and a wait for another run


class Job(NamedTuple):
    """How a job last ended well and badly; instants are in UTC."""

    job: str
    last_good_at: datetime | None
    last_failed_at: datetime | None
    failure: str  # of the last failed run
    is_failing: bool  # no good run came after it


def jobs(runs: Iterable[Mapping[str, Any]], beat: Mapping[str, Any] | None) -> list[Job]:
    """One per job that ever ended, by name; `runs` are the last good and the last failed run of each job.

    Instants of `runs` without a zone are in UTC, as the analyst's database gives them.
    A run counts as failing until a later good one of the same job, or of the cycle that it is a part of.
    """
    good: dict[str, datetime] = {}
    bad: dict[str, tuple[datetime, str]] = {}
    for run in runs:
        at = _aware(run["ended_at"] or run["started_at"])  # a killed run has no end
        if run["outcome"] in GOOD:
            good[run["job"]] = max(at, good.get(run["job"], at))
        else:
            bad[run["job"]] = max((at, run["detail"] or run["outcome"]), bad.get(run["job"], (at, "")))
    for job, state in (beat or {}).get("jobs", {}).items():
        if state["last_good_at"]:
            at = datetime.fromisoformat(state["last_good_at"])
            good[job] = max(at, good.get(job, at))
        if state["last_failed_at"]:
            at = datetime.fromisoformat(state["last_failed_at"])
            bad[job] = max((at, state["failure"]), bad.get(job, (at, "")))
    return [_job(job, good, bad) for job in sorted(good.keys() | bad.keys())]


def _aware(at: datetime) -> datetime:
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at


def _job(job: str, good: Mapping[str, datetime], bad: Mapping[str, tuple[datetime, str]]) -> Job:
    failed_at, failure = bad.get(job, (None, ""))
    counts = (job, "cycle") if job in PARTS_OF_A_CYCLE else (job,)
    since = max((good[name] for name in counts if name in good), default=None)
    is_failing = failed_at is not None and (since is None or failed_at > since)
    return Job(job, good.get(job), failed_at, failure, is_failing)


def problems(found: Iterable[Job], beat: Mapping[str, Any] | None, now: datetime) -> list[str]:
    """What a person should look into, a sentence each: jobs that fail, are overdue, or a service that is gone."""
    by_name = {one.job: one for one in found}
    said = [
        f"the last {one.job} failed at {_utc(one.last_failed_at)}: {one.failure}"
        for one in by_name.values()
        if one.is_failing and one.last_failed_at is not None and one.job in RECURRING
    ]
    if beat is None or beat["stopped_at"]:
        return said  # no service is wanted: what runs by hand or by cron is never overdue
    started = datetime.fromisoformat(beat["started_at"])
    alive = datetime.fromisoformat(beat["beat_at"])
    if (now - alive).total_seconds() > SILENT_S:
        said.append(f"the schedule was last alive at {_utc(alive)}; start it again: `noonmark schedule`")
    late = max(INGEST_LATE, INGEST_TURNS * timedelta(minutes=beat.get("ingest_every_min", 0)))
    if (since := _last_good(by_name, ("ingest", "cycle"), started)) + late < now:
        said.append(f"the ingest is overdue: it last ended well at {_utc(since)}")
    wanted = _last_wanted(beat, now - CYCLE_LATE)
    if (
        since := _last_good(by_name, ("cycle",), datetime.min.replace(tzinfo=UTC))
    ) < wanted and started + CYCLE_LATE < now:
        said.append(f"the cycle is overdue: it was wanted at {_utc(wanted)}")
    return said


def _last_good(by_name: Mapping[str, Job], names: Iterable[str], not_before: datetime) -> datetime:
    known = [by_name[name].last_good_at for name in names if name in by_name]
    return max([not_before, *(at for at in known if at is not None)])


def _last_wanted(beat: Mapping[str, Any], before: datetime) -> datetime:
    """The last instant before `before` at which the service should have begun a cycle."""
    hour, minute = map(int, beat.get("digest_at", "00:00").split(":"))
    local = before.astimezone(tzinfo_of(beat.get("timezone", "UTC")))
    wanted = local.replace(hour=hour, minute=minute, second=0, microsecond=0)
    return wanted if wanted <= local else wanted - timedelta(days=1)


def _utc(at: datetime | None) -> str:
    return "" if at is None else f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
