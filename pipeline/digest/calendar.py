"""The visits as to-dos of a calendar (RFC 5545)."""

from datetime import UTC, datetime, time

from pipeline.digest.model import DigestFacts, Revisit

PRIORITY = {"urgent": 1, "soon": 5, "watch": 9}  # RFC 5545, 3.8.1.9: 1 is the highest, 5 medium, 9 the lowest
MAX_OCTETS = 75  # of a line, without its end: RFC 5545, 3.1


def to_calendar(facts: DigestFacts) -> str:
    """The visits as to-dos (VTODO); the same visit keeps its UID from day to day."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//noonmark//revisits//EN", "METHOD:PUBLISH"]
    for group in facts.revisits:
        for revisit in group.revisits:
            lines += _to_do(facts, revisit, group.name)
    lines.append("END:VCALENDAR")
    return "".join(f"{_folded(line)}\r\n" for line in lines)


def _to_do(facts: DigestFacts, revisit: Revisit, installer: str) -> list[str]:
    stamp = datetime.combine(facts.day, time(), UTC) if facts.made_at.year == 1970 else facts.made_at
    parts = [
        revisit.diagnosis,
        f"Measured: {revisit.measured}" if revisit.measured else "",
        f"Should be: {revisit.expected}" if revisit.expected else "",
        f"Access: {revisit.access_note}" if revisit.access_note else "",
        f"Contact: {' '.join(filter(None, (revisit.contact, revisit.phone)))}"
        if revisit.contact or revisit.phone
        else "",
        revisit.steps,
    ]
    lines = [
        "BEGIN:VTODO",
        f"UID:{_text(revisit.exception_id)}@noonmark.invalid",
        f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{facts.day:%Y%m%d}",
        f"SUMMARY:{_text(f'{revisit.site_name}: {revisit.title}')}",
        f"DESCRIPTION:{_text(chr(10).join(filter(None, parts)))}",
        f"CATEGORIES:{_text(installer)}",
        f"PRIORITY:{PRIORITY.get(revisit.severity, 9)}",
        "STATUS:NEEDS-ACTION",
    ]
    if revisit.address:
        lines.append(f"LOCATION:{_text(revisit.address)}")
    if revisit.latitude is not None and revisit.longitude is not None:
        lines.append(f"GEO:{revisit.latitude:.6f};{revisit.longitude:.6f}")
    return [*lines, "END:VTODO"]


def _text(value: str) -> str:
    """TEXT of RFC 5545, 3.3.11: backslash, semicolon, comma and newline are escaped."""
    escaped = value.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return escaped.replace("\r\n", "\n").replace("\n", "\\n")


def _folded(line: str) -> str:
    """The content line in pieces of at most MAX_OCTETS, never within a character."""
    pieces, piece, octets = [], "", 0
    for letter in line:
        size = len(letter.encode("utf-8"))
        if octets + size > MAX_OCTETS:
            pieces.append(piece)
            piece, octets = " ", 1
        piece += letter
        octets += size
    return "\r\n".join([*pieces, piece])
