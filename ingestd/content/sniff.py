"""A look into a file: is what it holds encrypted?

Structure comes first. A format that is known not to be encrypted settles the matter, and so does one
that is, if its payload bears it out. Only what has no known structure is left to statistics, which
can tell that bytes look random, never that they are encrypted.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from functools import partial
from typing import Any

from ingestd.content import armour, cms, containers, disk_image, openpgp, plain, sevenzip, text, zipped
from ingestd.content.randomness import (
    PAYLOAD_BYTES_MIN,
    RANDOM,
    RANDOM_BYTES_MIN,
    chi_square,
    judged,
    windows,
)
from ingestd.content.sample import (
    WINDOW_BYTES_MAX,
    WINDOWS_MAX,
    Allowance,
    Content,
    FileContent,
    HeadContent,
    Spent,
    Structure,
    Verdict,
)
from ingestd.core.found import Secrecy
from ingestd.ports import CancelToken

ENCODED = "text that encodes something indistinguishable from random"
_PDF_TAIL_BYTES = 64 << 10
_SEALED_NAME = re.compile(rb".*\.(gpg|pgp|asc|age|7z|zip|luks|p7m|p7e)", re.IGNORECASE | re.DOTALL)
_SEALED: tuple[Callable[[Content], Structure | None], ...] = (
    openpgp.structure,
    containers.age,
    containers.luks,
    containers.salted,
    cms.structure,
)
_UNTOLD: tuple[tuple[int, bytes, str], ...] = (
    (0, b"Rar!\x1a\x07", "rar archive"),
    (3, b"-FVE-FS-", "bitlocker image"),
    (424, bytes.fromhex("3bd66749292ed84a8399f6a339e3d001"), "bitlocker image"),
    (0, b"QFI\xfb\0\0\0", "qcow2 image"),
    (0, b"vhdxfile", "vhdx image"),
    (0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "ole document"),
)
"""Formats that may be encrypted or not, which is not looked into here."""


def look(fd: int, size_bytes: int, **how: Any) -> Verdict:
    """A look into an open file; `how` is as `look_through` takes it."""
    return look_through(partial(os.pread, fd), size_bytes, **how)


def look_through(
    source: Callable[[int, int], bytes],
    size_bytes: int,
    *,
    name: bytes,
    cancel: CancelToken,
    windows_max: int = WINDOWS_MAX,
    window_bytes_max: int = WINDOW_BYTES_MAX,
    allowance: Allowance | None = None,
    ended: bool = True,
) -> Verdict:
    """How secret the content of a file is, and its format or why that cannot be told. `source` gives up to
    so many bytes of it from an offset on.

    Reads its head, what its format needs within the `allowance` (which several looks may share), and up to
    `windows_max` windows of `window_bytes_max`. The name decides nothing; it serves to say that a file is
    not what it is called. Of a file that has not `ended` there is more than is here, such as further pieces.
    Raises OSError as reading the file does, and Cancelled.
    """
    content = FileContent(
        source, size_bytes, cancel, windows_max, window_bytes_max, allowance or Allowance(), ended
    )
    try:
        return _look(content, name)
    except Spent:
        return Secrecy.UNKNOWN, "more structure than is looked into"


def _look(content: FileContent, name: bytes) -> Verdict:
    if content.size_bytes == 0:
        return Secrecy.UNKNOWN, "empty"
    head = content.read(0, plain.HEAD_BYTES)
    if kind := _untold(head):
        return Secrecy.UNKNOWN, kind
    if kind := plain.plain_kind(head):
        return Secrecy.PLAIN, kind
    return _by_structure(content, head) or _by_statistics(content, name)


def look_head(head: bytes, *, whole: bool = False) -> Verdict | None:
    """PLAIN and the format, when a file's first bytes alone prove that; else None.

    With `whole` these are all its bytes, which lets more be proved: text, PDF.
    """
    if _untold(head):
        return None
    if kind := plain.plain_kind(head):
        return Secrecy.PLAIN, kind
    content = HeadContent(head, len(head) if whole else None)
    found = openpgp.structure(content)
    if found is not None:
        return None if found.encrypted else (Secrecy.PLAIN, found.kind)
    verdict = zipped.plain_head(head)
    if verdict is None and whole:
        verdict = armour.recognise(content) or _pdf(content, head) or _text(content, head)
    return verdict if verdict and verdict[0] is Secrecy.PLAIN else None


def _untold(head: bytes) -> str | None:
    found = (kind for offset, magic, kind in _UNTOLD if head.startswith(magic, offset))
    return next((f"{kind}, which may be encrypted or not" for kind in found), None)


def _by_structure(content: FileContent, head: bytes) -> Verdict | None:
    for recognised in _SEALED:
        structure = recognised(content)
        if structure is not None:
            verdict = judged(content, structure, structure.payload_at, content.size_bytes)
            if verdict is not None:
                return verdict
    return (
        armour.recognise(content)
        or sevenzip.recognise(content)
        or zipped.recognise(content)
        or disk_image.recognise(content)
        or _pdf(content, head)
        or _text(content, head)
    )


def _pdf(content: Content, head: bytes) -> Verdict | None:
    """A PDF names its encryption, if any, in a trailer, which stands at its end or its beginning."""
    if not head.startswith(b"%PDF-") or content.size_bytes is None:
        return None
    tail = content.read(max(0, content.size_bytes - _PDF_TAIL_BYTES), _PDF_TAIL_BYTES)
    if b"/Encrypt" in head or b"/Encrypt" in tail:
        return Secrecy.UNKNOWN, "pdf that says it is encrypted"
    return Secrecy.PLAIN, "pdf"


def _text(content: Content, head: bytes) -> Verdict | None:
    """The verdict on a file all of whose samples are text; None for anything else."""
    if text.is_utf16(head):
        return Secrecy.PLAIN, "text (utf-16)"
    if content.size_bytes is None or not text.is_text(head):
        return None
    readable: set[bool | None] = set()
    for window in windows(content, 0, content.size_bytes):
        if not text.is_text(window):
            return None
        readable.add(text.is_readable(window))
    if False in readable:
        return Secrecy.UNKNOWN, ENCODED
    if None in readable:
        return Secrecy.UNKNOWN, "too small to tell"
    return Secrecy.PLAIN, "text"


def _by_statistics(content: FileContent, name: bytes) -> Verdict:
    called = _SEALED_NAME.fullmatch(os.path.basename(name))
    remark = f", named .{called[1].decode('ascii').lower()} without being that" if called else ""
    if content.size_bytes < RANDOM_BYTES_MIN:
        return Secrecy.UNKNOWN, f"too small to tell{remark}"
    lowest, highest = RANDOM.lowest, RANDOM.highest
    for number, window in enumerate(windows(content, 0, content.size_bytes), 1):
        if len(window) < PAYLOAD_BYTES_MIN:
            return Secrecy.UNKNOWN, "shorter than it was"
        found = chi_square(window)
        if not RANDOM.holds(found):
            figures = f"chi-square {found:.0f} in sample {number}, random is {lowest:.0f} to {highest:.0f}"
            return Secrecy.UNKNOWN, f"no known structure, {figures}{remark}"
    return Secrecy.RANDOM_LIKE, f"indistinguishable from random{remark}"
