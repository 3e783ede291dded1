"""Files that could not be taken in: each lies beside a note that says why, and how to put it back."""

import filecmp
import hashlib
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, NamedTuple

from pipeline.ingest.arrivals import NAME_BYTES, Arrival, hand_over, numbered_name, shown, state
from pipeline.workspace.files import replace_file, replace_file_by
from pipeline.workspace.places import Workspace

if TYPE_CHECKING:  # `status` only counts what waits
    from pipeline.exports.opening import ExportPart

REASON = ".reason.txt"
REASON_BYTES = 2**20  # ours: a zip of thousands of bad members fits
PUT_BACK = "put the file back as inbox/"


def to_quarantine(workspace: Workspace, arrival: Arrival, reason: str, *, part: "ExportPart | None" = None) -> Path:
    """The file (or one part of it, a zip's member) lies in quarantine beside its reason."""
    member = (part.member or part.name) if part is not None else ""
    name = PurePosixPath(member.replace("\\", "/")).name or "member" if member else arrival.name
    workspace.quarantine.mkdir(parents=True, exist_ok=True)
    target = _free(workspace.quarantine, _file_name(name), arrival.path if part is None else part)
    folder = f"{arrival.folder}/" if arrival.folder else ""
    whence = f"{arrival.place}/{shown(member)}" if member else arrival.place
    said = f"{reason}\n\nfrom: {whence}\nonce that is done, {PUT_BACK}{shown(folder)}{shown(name)}\n"
    replace_file(target.with_name(target.name + REASON), shown(said))
    if part is None:
        hand_over(arrival, target)
    elif not target.exists():
        replace_file_by(target, lambda unfinished: _write(unfinished, part))
    return target


def _write(target: Path, part: "ExportPart") -> None:
    with target.open("wb") as file:
        for chunk in part.chunks():
            file.write(chunk)


class Quarantined(NamedTuple):
    """A file that lies in quarantine."""

    name: str
    reason: str
    came_as: str  # its place below the inbox, as far as its note tells, else its name
    set_aside_at: float  # s since 1970


def quarantined(workspace: Workspace) -> list[tuple[str, str]]:
    """(file, reason) of everything that lies in quarantine."""
    return [(one.name, one.reason) for one in quarantined_files(workspace)]


def quarantined_files(workspace: Workspace) -> list[Quarantined]:
    """Everything that lies in quarantine, by name."""
    found = []
    for note in sorted(workspace.quarantine.glob("*.reason.txt")):
        file = note.with_name(note.name.removesuffix(".reason.txt"))
        if file.exists():
            try:
                said, at = note.read_text(encoding="utf-8", errors="replace").replace("\0", ""), note.stat().st_mtime
            except OSError as error:
                said, at = f"its note can't be read ({error.strerror or error})", 0.0
            reason = said.split("\n\n", 1)[0].replace("\n", "; ")
            came_as = said.rpartition(PUT_BACK)[2].strip() if PUT_BACK in said else file.name
            found.append(Quarantined(file.name, reason, came_as, at))
    return found


def is_reason(arrival: Arrival) -> bool:
    """True for a reason that was put into the inbox together with its file."""
    if (
        not (arrival.is_ours and arrival.name.endswith(REASON))
        or (state(arrival.path) or (REASON_BYTES,))[0] >= REASON_BYTES
    ):
        return False
    return PUT_BACK in arrival.path.read_text(encoding="utf-8", errors="replace").rpartition("\n\n")[2]


def _file_name(name: str) -> str:
    """The name, or what of it a file system can hold and a person can type: its start and its ending."""
    name = shown(name).replace("\0", "")
    if len(name.encode("utf-8")) <= NAME_BYTES:
        return name
    ending = "".join(PurePosixPath(name).suffixes[-2:])[-20:]
    return name.encode("utf-8")[: NAME_BYTES - 40].decode("utf-8", "ignore") + ending


def _free(folder: Path, name: str, content: "Path | ExportPart") -> Path:
    """Where the content lies in the folder already, or a name that is free; endings stay, since profiles read them."""
    target, number = folder / name, 2
    while target.exists() and not _holds(target, content):
        target, number = folder / numbered_name(name, number), number + 1
    return target


def _holds(target: Path, content: "Path | ExportPart") -> bool:
    if not target.is_file():
        return False
    if isinstance(content, Path):
        return filecmp.cmp(target, content, shallow=False)
    if content.stream is None:
        return target.read_bytes() == content.data
    with target.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest() == content.sha256
