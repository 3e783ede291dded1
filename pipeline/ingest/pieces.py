"""The exports in a file: those for which there is a profile, and why the others are refused."""

from collections.abc import Mapping

from pipeline.exports.opening import read_export
from pipeline.ingest import arrivals, large
from pipeline.ingest.arrivals import Arrival
from pipeline.ingest.batches import AT_ONCE_BYTES
from pipeline.ingest.model import Fate, Piece
from pipeline.ingest.profile_choice import choose_profile, why_no_profile
from pipeline.profiles.model import ExportProfile
from pipeline.register.model import Register


def pieces_in(
    arrival: Arrival, fate: Fate, profiles: Mapping[str, ExportProfile], register: Register, max_bytes: int
) -> list[Piece]:
    """The exports to be read, in the order of their profiles; what is refused goes to `fate`, with the reason."""
    if arrival.name_problem is not None:
        fate.refused.append((None, arrival.name_problem))
        return []
    pieces = []
    for part in read_export(arrival.path, arrival.folder, max_bytes=max_bytes, held_bytes=AT_ONCE_BYTES):
        name = arrival.name if part.member is None else part.name
        chosen = choose_profile(profiles, name, part.folder, register)
        if part.problem is not None:
            fate.refused.append((part, part.problem))
        elif isinstance(chosen, str):
            fate.refused.append((part, why_no_profile(chosen, arrivals.shown(name))))
        else:
            named = chosen.site_in_place(name, part.folder) or ""
            piece = Piece(arrival, part._replace(name=name), chosen, named)
            if (problem := large.too_large(piece)) is not None:
                fate.refused.append((part, problem))
            else:
                pieces.append(piece)
    return sorted(pieces, key=lambda piece: piece.profile.name)
