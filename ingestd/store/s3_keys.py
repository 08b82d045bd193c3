"""Names of objects: any path that a drive may have, as text that S3 and an XML listing can carry.

S3 takes keys of at most 1,024 bytes of UTF-8 (Amazon S3 User Guide, "Naming Amazon S3 objects"); XML 1.0
cannot carry most control characters, nor U+FFFE and U+FFFF (W3C, XML 1.0, production 2). So bytes that
are not UTF-8 and characters that do not fit become `%XX`, byte by byte, and so does the percent sign.
All other names stay as they are. `decoded` is the exact inverse.
"""

from __future__ import annotations

import re
import unicodedata
from urllib.parse import quote, unquote_to_bytes

KEY_BYTES_MAX = 1024

RESERVED = b".ingest-parts"
"""Reserved at the top of a store: the station keeps a note here of every upload that it has begun."""


class BadKey(ValueError):
    """This cannot be the key of an object; the text says why."""


class KeyTooLong(BadKey):
    """An object of this name cannot be in such a store."""


_PLAIN = re.compile(rb"[ -$&-~]*\Z")
_ESCAPE = re.compile(r"%([0-9A-F]{2})?")


def encoded(path: bytes) -> str:
    """The path as a key, whatever its bytes are."""
    if _PLAIN.match(path):
        return path.decode("ascii")
    return "".join(map(_carried, path.decode("utf-8", "surrogateescape")))


def _carried(char: str) -> str:
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:
        return f"%{code - 0xDC00:02X}"
    if char == "%" or unicodedata.category(char) == "Cc" or code in (0xFFFE, 0xFFFF):
        return "".join(f"%{byte:02X}" for byte in char.encode())
    return char


def decoded(key: str) -> bytes:
    """The path that `encoded` was given. Raises BadKey for what it never writes."""
    if any(match.group(1) is None for match in _ESCAPE.finditer(key)):
        raise BadKey("a percent sign that begins no escape")
    path = unquote_to_bytes(key)
    if encoded(path) != key:
        raise BadKey("an escape where none is needed")
    return path


def object_key(prefix: str, path: bytes) -> str:
    """The key of what lies at `path` in a store with this prefix.

    Raises BadKey for a path that leads elsewhere, into what is reserved, or is too long.
    """
    parts = path.split(b"/")
    if any(part in (b"", b".", b"..") for part in parts) or b"\0" in path or parts[0] == RESERVED:
        raise BadKey("it is empty, leads outside, or names what is reserved")
    return within_limit(joined(prefix, encoded(path)))


def joined(prefix: str, key: str) -> str:
    return f"{prefix}/{key}" if prefix else key


def within_limit(key: str) -> str:
    size = len(key.encode())
    if size > KEY_BYTES_MAX:
        raise KeyTooLong(f"it takes {size} bytes, and a key has {KEY_BYTES_MAX} at most")
    return key


def url_path(key: str) -> str:
    """The key as it stands in a URL and in its signature: encoded once, with its slashes."""
    return quote(key, safe="/-_.~")
