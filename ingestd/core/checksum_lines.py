"""Lines of checksum lists, in the forms that GNU coreutils write and check.

`md5sum`, `sha1sum` to `sha512sum` and `b2sum` have the same ones. Both directions follow coreutils 9.1:
a path with a backslash, a line feed or a carriage return is written with `\\\\`, `\\n` and `\\r` in
their place, and its line begins with a backslash. All is bytes, since a name on a drive need not be text.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from ingestd.core.digests import BLAKE2B, SHA256, blake2b, sized

_ESCAPED = {b"\\": b"\\\\", b"\n": b"\\n", b"\r": b"\\r"}
_MEANT = {escape: plain for plain, escape in _ESCAPED.items()}

_TAGS = {
    b"MD5": "md5",
    b"SHA1": "sha1",
    b"SHA224": "sha224",
    b"SHA256": SHA256,
    b"SHA384": "sha384",
    b"SHA512": "sha512",
}
# Shorter than the 32 digits of MD5 is a BLAKE2b of less than 128 bits. Without a tag it is not taken for one:
# of the lines of any text, or of an archive, some begin with a few hex digits.
_GNU = re.compile(rb"[ \t]*(\\?)([0-9A-Fa-f]{32,128})[ \t][ *]?(.+)", re.DOTALL)
_TAGGED = re.compile(
    rb"[ \t]*(\\?)(MD5|SHA(?:1|224|256|384|512)|BLAKE2b(?:-[0-9]{1,3})?) ?"
    rb"\((.+)\)[ \t]*=[ \t]*([0-9A-Fa-f]+)",
    re.DOTALL,
)
_BARE = re.compile(rb"[ \t]*([0-9A-Fa-f]{32,128})[ \t]*")


class Listed(NamedTuple):
    """What one line says: this file has this checksum, in lower-case hex."""

    algorithm: str
    digest_hex: str
    path: bytes


def gnu_line(sha256_hex: str, path: bytes) -> bytes:
    """The line, with its line feed, that `sha256sum -c` accepts for this file.

    The path `-` becomes `./-`, since checking `-` would read standard input.
    """
    named = b"./-" if path == b"-" else path
    escaped = re.sub(rb"[\\\n\r]", lambda found: _ESCAPED[found[0]], named)
    mark = b"\\" if escaped != named else b""
    return b"%s%s  %s\n" % (mark, sha256_hex.encode("ascii"), escaped)


def parse_line(line: bytes, algorithm: str = SHA256) -> Listed | None:
    """What the line lists; None for an empty line or a comment.

    Understands the text form (two blanks), the binary form (` *`), the reversed form (one blank) and
    the tagged form `SHA256 (path) = hex`, with LF, CRLF or nothing at the end. `algorithm` is that of
    lines without a tag; where it is BLAKE2b the digest's length tells which, as `b2sum` has it. The path
    is as it stands there, not checked for being harmless. Raises ValueError for any other line.
    """
    body = line.removesuffix(b"\n").removesuffix(b"\r")
    if not body or body.startswith(b"#"):
        return None
    if tagged := _TAGGED.fullmatch(body):
        mark, tag, path, digest = tagged.groups()
        algorithm = _of_tag(tag)
    elif plain := _GNU.fullmatch(body):
        mark, digest, path = plain.groups()
    else:
        raise ValueError("not a line of a checksum list")
    return Listed(sized(algorithm, len(digest)), _lower(digest), _named(path, escaped=bool(mark)))


def parse_bare(line: bytes, algorithm: str = SHA256) -> tuple[str, str] | None:
    """Algorithm and checksum, in lower-case hex, of a line that has one and no name; else None."""
    bare = _BARE.fullmatch(line.removesuffix(b"\n").removesuffix(b"\r"))
    if bare is None:
        return None
    try:
        return sized(algorithm, len(bare[1])), _lower(bare[1])
    except ValueError:
        return None


def _of_tag(tag: bytes) -> str:
    if tag in _TAGS:
        return _TAGS[tag]
    return blake2b(int(tag.removeprefix(b"BLAKE2b-"))) if b"-" in tag else blake2b(512)


def _lower(digest: bytes) -> str:
    return digest.decode("ascii").lower()


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


_ENDINGS: dict[bytes, str] = {
    b"md5": "md5",
    b"sha1": "sha1",
    b"sha224": "sha224",
    b"sha256": SHA256,
    b"sha384": "sha384",
    b"sha512": "sha512",
    b"b2": BLAKE2B,
}
_LIST_NAME = re.compile(
    rb"(md5|sha1|sha224|sha256|sha384|sha512|b2)sums?(?:\.txt)?"
    rb"|.+\.(md5|sha1|sha224|sha256|sha384|sha512|b2)(?:sums?)?",
    re.IGNORECASE | re.DOTALL,
)


def list_algorithm(name: bytes) -> str | None:
    """The algorithm of a checksum list, by its file's name; None where that is no name of a list."""
    found = _LIST_NAME.fullmatch(name)
    return _ENDINGS[(found[1] or found[2]).lower()] if found else None
