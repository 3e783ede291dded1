"""Ways to damage an export, as machines, mail programs and spreadsheets do."""

import gzip
import io
import json
import random
import zipfile
from collections.abc import Callable

import zstandard

NASTY_CELLS = (
    "NaN", "inf", "-inf", "1e999", "1_000", "--", "#REF!", "=1+1", "0x1F", "٣", "1,2,3", "9" * 400, "-", "\U0001f31e",
    "null", "true", '"', "'", " 5 ", "5 ", "+5", "1.2.3", "\x00", "\ufeff", "2026-02-30 00:00", "24:00",
    "0001-01-01 00:00", "9999-12-31 23:59", "1e18", "-1e18", "31.02.2026 12:00", "2026-03-29 02:30", "12/31/26",
)  # fmt: skip
Chance = random.Random


def flipped(data: bytes, chance: Chance) -> bytes:
    out = bytearray(data)
    for _ in range(chance.choice((1, 1, 5, 50))):
        if out:
            out[chance.randrange(len(out))] ^= 1 << chance.randrange(8)
    return bytes(out)


def cut(data: bytes, chance: Chance) -> bytes:
    return data[: chance.randrange(len(data) + 1)]


def gap(data: bytes, chance: Chance) -> bytes:
    start = chance.randrange(len(data) + 1)
    return data[:start] + data[start + chance.choice((1, 7, 100, 4096)) :]


def twice(data: bytes, chance: Chance) -> bytes:
    start = chance.randrange(len(data) + 1)
    end = min(len(data), start + chance.choice((10, 500, 5000)))
    return data[:end] + data[start:]


def inserted(data: bytes, chance: Chance) -> bytes:
    start = chance.randrange(len(data) + 1)
    what = chance.choice(
        (b"\x00", b"\xff\xfe", b'"', b"\n", b"\r", b"\xef\xbb\xbf", b";;;;", bytes(range(256)), b"{", b"]")
    )
    return data[:start] + what + data[start:]


def other_endings(data: bytes, chance: Chance) -> bytes:
    return data.replace(b"\r\n", b"\n").replace(b"\n", chance.choice((b"\r", b"\r\n", b"\n\n", b"\x0b", b"\x85")))


def other_encoding(data: bytes, chance: Chance) -> bytes:
    text = data.decode("utf-8", "replace")
    return chance.choice((
        lambda: text.encode("utf-16"), lambda: text.encode("utf-16-le"), lambda: b"\xef\xbb\xbf" + data,
        lambda: text.encode("cp1252", "replace"), lambda: text.encode("utf-32"),
    ))()  # fmt: skip


def mixed_lines(data: bytes, chance: Chance) -> bytes:
    lines = data.split(b"\n")
    how = chance.randrange(4)
    if how == 0:
        chance.shuffle(lines)
    elif how == 1:
        lines.insert(chance.randrange(len(lines) + 1), lines[0])  # the header again
    elif how == 2:
        lines.reverse()
    else:
        lines = [line for line in lines if chance.random() < 0.7]
    return b"\n".join(lines)


def other_cells(data: bytes, chance: Chance) -> bytes:
    lines = data.split(b"\n")
    separator = max((b";", b",", b"\t", b"|"), key=data.count)
    for _ in range(chance.choice((1, 3, 30))):
        place = chance.randrange(len(lines))
        cells = lines[place].split(separator)
        cells[chance.randrange(len(cells))] = chance.choice(NASTY_CELLS).encode("utf-8")
        if chance.random() < 0.2:
            cells.append(b"5")
        lines[place] = separator.join(cells)
    return b"\n".join(lines)


def other_separator(data: bytes, chance: Chance) -> bytes:
    return data.replace(max((b";", b",", b"\t"), key=data.count), chance.choice((b"\t", b"|", b" ", b",", b";", b"")))


def nothing(data: bytes, chance: Chance) -> bytes:
    return chance.choice((b"", b"\n", b"\x00" * 1000, data.split(b"\n")[0], data.split(b"\n")[0] + b"\n", b" " * 10**5))


def other_json(data: bytes, chance: Chance) -> bytes:
    """Values of other types, somewhere; text that is no JSON comes back as it was."""
    try:
        document = json.loads(data)
    except ValueError:
        return data
    for _ in range(chance.choice((1, 5, 20))):
        _spoil(document, chance)
    return json.dumps(document).encode("utf-8")


def _spoil(document: object, chance: Chance) -> None:
    odd = (None, True, [], {}, "x", 10**400, -1e308, [[[[]]]], {"a": {"a": 1}}, "NaN", 0.1, "2026-03-29T02:30:00")
    here = document
    while isinstance(here, dict | list) and here:
        key = chance.choice(list(here)) if isinstance(here, dict) else chance.randrange(len(here))
        inner = here[key]
        if not isinstance(inner, dict | list) or not inner or chance.random() < 0.1:
            if chance.random() < 0.2:
                del here[key]
            else:
                here[key] = chance.choice(odd)
            return
        here = inner


WAYS: tuple[Callable[[bytes, Chance], bytes], ...] = (
    flipped, cut, gap, twice, inserted, other_endings, other_encoding, mixed_lines, other_cells, other_separator,
    nothing, other_json,
)  # fmt: skip


def unpacked(name: str, data: bytes) -> bytes:
    """What is inside: of a zip the first member."""
    if name.endswith(".gz"):
        return gzip.decompress(data)
    if name.endswith(".zst"):
        return zstandard.ZstdDecompressor().decompressobj().decompress(data)
    if name.endswith(".zip"):
        with zipfile.ZipFile(io.BytesIO(data)) as pack:
            return pack.read(pack.namelist()[0])
    return data


def packed(name: str, data: bytes, member: str, chance: Chance) -> bytes:
    """The content packed as the name says; now and then under a member's name that leads elsewhere."""
    if name.endswith(".gz"):
        return gzip.compress(data, 1)
    if name.endswith(".zst"):
        return zstandard.ZstdCompressor().compress(data)
    if name.endswith(".zip"):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as pack:
            odd = chance.choice((member, member, member, f"../../{member}", f"/{member}", f"a/b/{member}", ""))
            pack.writestr(odd or "x", data)
            if chance.random() < 0.2:
                pack.writestr("inner.zip", b"PK\x03\x04nonsense")
        return out.getvalue()
    return data


def mangled(name: str, data: bytes, member: str, chance: Chance) -> tuple[bytes, str]:
    """A damaged export, and how it was damaged: inside, or as it is packed, or both."""
    ways = chance.sample(WAYS, chance.choice((1, 1, 1, 2)))
    inside = data
    for way in ways:
        inside = way(inside, chance)
    whole = packed(name, inside, member, chance)
    told = [way.__name__ for way in ways]
    if whole != inside and chance.random() < 0.3:
        way = chance.choice((flipped, cut, gap, inserted))
        whole = way(whole, chance)
        told.append(f"packed {way.__name__}")
    return whole, ", ".join(told)
