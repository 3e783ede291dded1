"""Where a file goes once it was read: to the archive, to quarantine, or nowhere, if it is a copy."""

from pipeline.ingest import archive, arrivals, quarantine
from pipeline.ingest.arrivals import Arrival
from pipeline.ingest.model import Fate, IngestResult
from pipeline.workspace.places import Workspace


def end(workspace: Workspace, result: IngestResult, arrival: Arrival, fate: Fate, *, is_moved: bool) -> None:
    """Moves the file as its fate has it, and tells `result` what was refused; nothing moves unless `is_moved`.

    Raises OSError if the file cannot be moved.
    """
    for part, reason in fate.refused:
        place = f"{arrival.place}/{arrivals.shown(part.member)}" if part and part.member else arrival.place
        result.quarantined.append((place, reason))
    if not is_moved:
        return
    if arrivals.state(arrival.path) != fate.state:
        result.still_written.append(arrival.place)  # what it was is in the history; the next run reads the rest
        return
    if fate.archived_as is None and not fate.copies:
        said = [f"{arrivals.shown(p.member)}: {why}" if p and p.member else why for p, why in fate.refused]
        quarantine.to_quarantine(workspace, arrival, "\n".join(said))
        return
    for part, reason in fate.refused:
        if part is not None:
            quarantine.to_quarantine(workspace, arrival, reason, part=part)
    if fate.archived_as is not None:
        archive.to_archive(workspace, arrival, fate.archived_as)
    elif arrival.is_ours:
        arrival.path.unlink(missing_ok=True)  # a copy adds nothing: its bytes are in the archive
