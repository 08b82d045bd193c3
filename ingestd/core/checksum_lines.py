"""Lines of checksum lists, in the form that GNU `sha256sum` writes and checks.

Both directions follow coreutils 9.1: a path with a backslash, a line feed or a carriage return is
written with `\\\\`, `\\n` and `\\r` in their place, and its line begins with a backslash. All is
bytes, since a name on a drive need not be text.
"""

from __future__ import annotations

import re
from typing import NamedTuple

_ESCAPED = {b"\\": b"\\\\", b"\n": b"\\n", b"\r": b"\\r"}
_MEANT = {escape: plain for plain, escape in _ESCAPED.items()}

_GNU = re.compile(rb"[ \t]*(\\?)([0-9A-Fa-f]{64})[ \t][ *]?(.+)", re.DOTALL)
_TAGGED = re.compile(rb"[ \t]*(\\?)SHA256 ?\((.+)\)[ \t]*=[ \t]*([0-9A-Fa-f]{64})", re.DOTALL)
_BARE = re.compile(rb"[ \t]*([0-9A-Fa-f]{64})[ \t]*")


class Listed(NamedTuple):
    """What one line says: this file has this checksum, in lower-case hex."""

    sha256_hex: str
    path: bytes


def gnu_line(sha256_hex: str, path: bytes) -> bytes:
    """The line, with its line feed, that `sha256sum -c` accepts for this file.

    The path `-` becomes `./-`, since checking `-` would read standard input.
    """
    named = b"./-" if path == b"-" else path
    escaped = re.sub(rb"[\\\n\r]", lambda found: _ESCAPED[found[0]], named)
    mark = b"\\" if escaped != named else b""
    return b"%s%s  %s\n" % (mark, sha256_hex.encode("ascii"), escaped)


def parse_line(line: bytes) -> Listed | None:
    """What the line lists; None for an empty line or a comment.

    Understands the text form (two blanks), the binary form (` *`), the reversed form (one blank) and
    the tagged form `SHA256 (path) = hex`, with LF, CRLF or nothing at the end. The path is as it
    stands there, not checked for being harmless. Raises ValueError for any other line.
    """
    body = line.removesuffix(b"\n").removesuffix(b"\r")
    if not body or body.startswith(b"#"):
        return None
    if tagged := _TAGGED.fullmatch(body):
        mark, path, digest = tagged.groups()
    elif plain := _GNU.fullmatch(body):
        mark, digest, path = plain.groups()
    else:
        raise ValueError("not a line of a SHA-256 checksum list")
    return Listed(digest.decode("ascii").lower(), _named(path, escaped=bool(mark)))


def parse_bare(line: bytes) -> str | None:
    """The checksum, in lower-case hex, of a line that has one and no name; else None."""
    bare = _BARE.fullmatch(line.removesuffix(b"\n").removesuffix(b"\r"))
    return bare[1].decode("ascii").lower() if bare else None


def _named(path: bytes, *, escaped: bool) -> bytes:
    if escaped:
        path = re.sub(rb"\\(.?)", _unescaped, path, flags=re.DOTALL)
    if b"\0" in path:
        raise ValueError("a name on a drive has no zero byte")
    return path


def _unescaped(found: re.Match[bytes]) -> bytes:
    try:
        return _MEANT[found[0]]
    except KeyError:
        raise ValueError(f"unknown escape {found[0]!r}") from None
