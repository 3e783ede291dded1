"""What `status` prints. It is asked often, by watchdogs too: nothing heavy is loaded here."""

import sys
from collections.abc import Mapping
from typing import Any

from pipeline.commands import tables
from pipeline.counted import counted
from pipeline.errors import alike


def show(facts: dict[str, Any], *, as_json: bool) -> None:
    """The facts of runs.status.status."""
    if as_json:
        tables.facts(facts)
        return
    held = facts["history"]
    sites, profiles = counted(facts["sites"], "site"), counted(len(facts["profiles"]), "profile")
    print(f"workspace        {facts['workspace']}: {sites}, {profiles}")
    days = f"{held['first_day']} to {held['last_day']}, " if held["first_day"] else ""
    print(
        f"history          {counted(held['readings'], 'reading')} of watched sites, "
        f"{counted(held['exports'], 'export')}, {days}"
        f"{held['bytes'] / 1e6:.1f} MB"
    )
    if held["rows"]:
        print(f"                 rows: {', '.join(f'{count} {name}' for name, count in held['rows'].items())}")
    print(f"last good run    {_when(facts['last_good_run_at'])}")
    for job, at in facts["next_runs"].items():
        print(f"next {job:<12}{at}")
    print(f"last judged day  {held['last_judged_day'] or 'none'}")
    print(f"exceptions open  {', '.join(f'{n} {severity}' for severity, n in facts['exceptions'].items()) or 'none'}")
    print(f"files waiting    {facts['waiting']}")
    print(f"quarantined      {len(facts['quarantined'])}")
    for files, reason, _ in alike((one["file"], one["reason"]) for one in facts["quarantined"]):
        print(f"                 {files}: {reason}")
    for one in facts["data"]:
        print(f"data of {one['profile']}: {_lag(one)}")
    print(f"disk             {_disk(facts['disk'])}")
    print(f"without data     {', '.join(facts['sites_without_data']) or 'none'}")
    for job in facts["jobs"]:
        good, bad = (_when(at) for at in (job["last_good_at"], job["last_failed_at"]))
        failure = f": {job['failure']}" if job["failure"] else ""
        print(f"{'job ' + job['job']:<24} last good {good}, last failed {bad}{failure}")
    beat = facts["schedule"]
    if beat is not None:
        end = f"stopped {beat['stopped_at']}" if beat["stopped_at"] else f"last alive {beat['beat_at']}"
        print(f"schedule         started {beat['started_at']}, {end}")
    for run in facts["runs"]:
        print(
            f"run {run['run_id']:<13}{run['started_at']:%Y-%m-%d %H:%M:%S} {run['job']}: {run['outcome']}"
            f"{', ' + run['detail'] if run['detail'] else ''}"
        )
    for line in (*facts["faults"], *facts["problems"]):
        print(f"noonmark: {line}", file=sys.stderr)
    for notice in facts["notices"]:
        print(f"notice: {notice}")


def _when(at: Any) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S}" if at else "never"


def _lag(one: Mapping[str, Any]) -> str:
    """How old a profile's newest reading is, and whether its next export is late by its own rhythm."""
    age = "no reading" if one["lag_h"] is None else f"newest reading {span(one['lag_h'])} old"
    rhythm = "" if one["usual_gap_h"] is None else f", usually within {span(one['usual_gap_h'])}"
    late = " (LATE)" if one["is_late"] else ""
    return f"{age}, last export {span(one['last_arrival_h_ago'])} ago{rhythm}{late}"


def span(hours: float) -> str:
    """The hours in the unit that fits them: minutes, hours or days."""
    if hours < 1:
        return f"{60 * hours:.0f} min"
    return f"{hours:.1f} h" if hours < 72 else f"{hours / 24:.0f} d"


def _disk(held: Mapping[str, Any]) -> str:
    free = f"{held['free_bytes'] / 1e9:.1f} of {held['total_bytes'] / 1e9:.1f} GB free"
    if held["workspace_bytes"] is None:
        return f"{free}; the next cycle measures the workspace"
    growth, days = held["growth_bytes_per_day"], held["days_until_full"]
    grows = "" if growth is None else f", grows {growth / 1e6:.1f} MB a day"
    full = "" if days is None else f", full in {counted(days, 'day')}"
    return f"workspace {held['workspace_bytes'] / 1e6:.1f} MB, {free}{grows}{full}"
