"""File names as drives really have them.

A name on a Linux file system is any bytes but NUL and '/'. Inside the program a path is `bytes`,
relative, with '/' between its parts. Whatever leaves the program as text goes through `printable`.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from ingestd.core.checksum_lines import list_algorithm

TICKET_NAME = b"ingest-ticket.json"
"""Name of the job ticket in a volume's root."""

_ESCAPES = {0x09: "\\t", 0x0A: "\\n", 0x0D: "\\r", 0x5C: "\\\\"}
_HEX_PAIR = re.compile(r"[0-9a-f]{2}")


def printable(name: bytes) -> str:
    """The name as one line of harmless text, reversible by `from_printable`.

    Bytes that are not UTF-8, control characters and other characters without a shape of their own
    (direction marks, line separators, terminal escapes) become `\\xNN`; the backslash is doubled.
    """
    out: list[str] = []
    for char in name.decode("utf-8", "surrogateescape"):
        code = ord(char)
        if code in _ESCAPES:
            out.append(_ESCAPES[code])
        elif 0xDC80 <= code <= 0xDCFF:
            out.append(f"\\x{code - 0xDC00:02x}")
        elif char.isprintable():
            out.append(char)
        else:
            out.extend(f"\\x{byte:02x}" for byte in char.encode("utf-8"))
    return "".join(out)


def from_printable(text: str) -> bytes:
    """The bytes that `printable` was given. Raises ValueError on an escape it never writes."""
    out = bytearray()
    plain = {escape[1]: code for code, escape in _ESCAPES.items()}
    at = 0
    while at < len(text):
        if text[at] != "\\":
            out += text[at].encode("utf-8")
            at += 1
            continue
        mark = text[at + 1 : at + 2]
        if mark in plain:
            out.append(plain[mark])
            at += 2
        elif mark == "x" and _HEX_PAIR.fullmatch(text, at + 2, at + 4):
            out.append(int(text[at + 2 : at + 4], 16))
            at += 4
        else:
            raise ValueError(f"unknown escape at character {at} of {text!r}")
    return bytes(out)


def shortened(text: str, limit: int = 120) -> str:
    """The text, with its middle left out when it is longer than `limit` (at least 3) characters."""
    if len(text) <= limit:
        return text
    half = max(1, (limit - 1) // 2)
    return f"{text[:half]}…{text[-half:]}"


def located(volume: str, path: bytes) -> str:
    """Where a file lies, as one line for people: the volume's name, then the printable path."""
    return f"{volume}/{printable(path)}"


def plain_path(path: bytes) -> bytes:
    """A path as a list on a drive has it, without '.' parts and doubled slashes. Raises ValueError where it
    does not lead to something below the folder that it begins at."""
    parts = [part for part in path.split(b"/") if part not in (b"", b".")]
    if path.startswith(b"/") or b".." in parts or b"\0" in path or not parts:
        raise ValueError("has a path that leads elsewhere")
    return b"/".join(parts)


def folded(name: bytes) -> str:
    """The same text for names that differ in case or in Unicode normalisation only.

    This is canonical caseless matching (Unicode 15, definition D145). Bytes that are not UTF-8 stand
    for themselves.
    """
    if name.isascii():
        return name.lower().decode("ascii")
    text = name.decode("utf-8", "surrogateescape")
    return unicodedata.normalize("NFD", unicodedata.normalize("NFD", text).casefold())


def same_text(one: bytes, other: bytes) -> bool:
    """Whether two names differ in Unicode normalisation at most: systems write one text in several ways."""
    return one == other or _decomposed(one) == _decomposed(other)


def _decomposed(name: bytes) -> str:
    return unicodedata.normalize("NFD", name.decode("utf-8", "surrogateescape"))


def is_checksum_list(path: bytes) -> bool:
    """Whether a path names a checksum list in a volume's root."""
    return b"/" not in path and list_algorithm(path) is not None


def is_control_file(path: bytes) -> bool:
    """Whether a path names a file about the delivery: a checksum list or the job ticket.

    Such a file is plain by its nature, so no demand that data be encrypted is about it.
    """
    return path == TICKET_NAME or is_checksum_list(path)


def natural(name: str) -> tuple[tuple[int, str], ...]:
    """Sorts numbers in names by their value: bay-2 before bay-10."""
    parts = re.split(r"([0-9]+)", name)
    return tuple((int(part), "") if part.isdigit() else (-1, part) for part in parts)


def counted(count: int, one: str, many: str) -> str:
    """A number with its noun."""
    return f"1 {one}" if count == 1 else f"{count:,} {many}"


def with_example(text: str, examples: Sequence[str], count: int = 1) -> str:
    """The text as a sentence that ends with the one example, or the first of several."""
    if not examples:
        return f"{text}."
    return f"{text}{':' if count == 1 else ', for example'} {shortened(examples[0])}."
