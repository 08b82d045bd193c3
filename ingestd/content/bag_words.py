"""How what a bag or a list says of a drive is put, and the other forms that names may have."""

from __future__ import annotations

import unicodedata

from ingestd.core.names import located, printable, shortened

_SHOWN_CHARS = 300
"""Of a path that is an example: a hundred bags, or a thousand lists, may have a hundred each, and a path a
page."""


def named(volume: str, folder: bytes) -> str:
    return located(volume, folder) if folder else volume


def other_forms(path: bytes) -> set[bytes]:
    """The path in each Unicode normalisation that file systems bring names into, but for its own form."""
    try:
        text = path.decode("utf-8")
    except UnicodeDecodeError:
        return set()
    return {unicodedata.normalize(form, text).encode("utf-8") for form in ("NFC", "NFD")} - {path}


def shown(volume: str, path: bytes) -> str:
    return shortened(located(volume, path), _SHOWN_CHARS)


def said(file: bytes, why: str) -> str:
    return f"{shortened(printable(file))} {why}"


def pair(listed: bytes, found: bytes) -> str:
    """Both names, with their characters told apart that look the same."""
    return f"{_told(listed)} is {_told(found)} on the drive"


def _told(path: bytes) -> str:
    return shortened(printable(path).encode("ascii", "backslashreplace").decode())
