"""The text in a bag's own files, as RFC 8493 has it: the declaration, lines of manifests, Payload-Oxum.

Where the RFC is strict and what people have written is not, this is as strict as it can be without
refusing what has only one meaning; what is read all the same is named (`Line.loose`).
"""

from __future__ import annotations

import re
from typing import NamedTuple

from ingestd.core.digests import bits_of, blake2b
from ingestd.core.names import plain_path

VERSIONS = frozenset({(0, 93), (0, 94), (0, 95), (0, 96), (0, 97), (1, 0)})
CURRENT = (1, 0)
PAYLOAD = b"data"

PATH_BYTES_MAX = 3 * 4096
NAME_BYTES_MAX = 3 * 765
"""What a file may have, and thrice that: its name may be listed in a normalisation that is as much longer. A
line of a hostile drive may be far longer, and take a second to be normalised."""

_DECLARED = re.compile(
    r"BagIt-Version: ([0-9]{1,4})\.([0-9]{1,4})(?:\r\n|\n|\r)"
    r"Tag-File-Character-Encoding: ([!-~]{1,40})(?:\r\n|\n|\r)?",
    re.IGNORECASE,
)
_ENTRY = re.compile(r"([0-9A-Fa-f]+)[ \t]+(.+)", re.DOTALL)
_LABEL = re.compile(r"[^:\r\n]+:")
_OXUM = re.compile(r"Payload-Oxum[ \t]*:", re.IGNORECASE)
_OXUM_VALUE = re.compile(r"([0-9]{1,30})\.([0-9]{1,20})")
_ESCAPES = {"%0a": "\n", "%0d": "\r", "%25": "%"}
_MANIFEST = re.compile(rb"(tag)?manifest-([a-z0-9]+)\.txt")
_NEARLY_MANIFEST = re.compile(rb"(tag)?manifest-.*\.txt", re.IGNORECASE | re.DOTALL)
_BLAKE2B = re.compile(r"blake2b([0-9]{1,3})?")
_SHA_AND_MD5 = ("md5", "sha1", "sha224", "sha256", "sha384", "sha512")


class Declaration(NamedTuple):
    version: tuple[int, int]
    encoding: str


class ManifestName(NamedTuple):
    """What the name of a manifest says. `algorithm`: by the names of `digests.py`, None for another."""

    of_tags: bool
    algorithm: str | None


class Line(NamedTuple):
    """An entry of a manifest. `path` is relative to the bag's folder."""

    digest: bytes
    path: bytes
    loose: str | None = None
    """What of the line is not as RFC 8493 has it."""


def declaration(body: bytes) -> Declaration:
    """What `bagit.txt` declares. Raises ValueError, with why, for one that RFC 8493 does not allow.

    Labels in any case, since its own example in section 4.1 has `BagIt-version`.
    """
    if body.startswith(b"\xef\xbb\xbf"):
        raise ValueError("begins with a byte-order mark")
    try:
        found = _DECLARED.fullmatch(body.decode("utf-8"))
    except UnicodeDecodeError:
        raise ValueError("is not UTF-8") from None
    if found is None:
        raise ValueError(
            "does not have just the two lines BagIt-Version and Tag-File-Character-Encoding, "
            "with one blank behind each colon"
        )
    return Declaration((int(found[1]), int(found[2])), found[3])


def manifest_name(name: bytes) -> ManifestName | None:
    """What a name in a bag's folder says of a manifest; None where it is not the name of one.

    Raises ValueError for a name that looks like one and is none, since what it lists would be passed over.
    """
    found = _MANIFEST.fullmatch(name)
    if found is not None:
        return ManifestName(found[1] is not None, _algorithm(found[2].decode()))
    if _NEARLY_MANIFEST.fullmatch(name):
        raise ValueError("is not called as a manifest has to be")
    return None


def _algorithm(name: str) -> str | None:
    if name in _SHA_AND_MD5:
        return name
    if found := _BLAKE2B.fullmatch(name):
        try:
            return blake2b(int(found[1] or 512))
        except ValueError:
            return None
    return None


def entry(line: str, name: ManifestName, version: tuple[int, int]) -> Line | None:
    """What a line of a manifest lists; None for an empty one and for a comment, which the RFC does not
    know and which list nothing. Raises ValueError, with why, for a line that cannot be used."""
    if not line.strip(" \t") or line.startswith("#"):
        return None
    found = _ENTRY.fullmatch(line)
    if found is None:
        raise ValueError("is not a checksum and a path")
    assert name.algorithm is not None
    if bits_of(name.algorithm) != 4 * len(found[1]):
        raise ValueError("has a checksum of another length")
    written, loose = found[2], None
    if written.startswith("*"):
        written, loose = written[1:], "an asterisk stands before the path"
    text = _decoded(written, version)
    if version >= CURRENT and re.search(r"%(?!0[ad]|25)", written, re.IGNORECASE):
        loose = loose or "a percent sign is not written as %25"
    path = _path(text)
    inside = path.startswith(PAYLOAD + b"/")
    if name.of_tags and (inside or path == PAYLOAD):
        raise ValueError("lists a file of the payload")
    if not name.of_tags and not inside:
        raise ValueError("lists a file outside the payload")
    return Line(bytes.fromhex(found[1]), path, loose)


def _decoded(written: str, version: tuple[int, int]) -> str:
    """Of version 1.0 on a percent sign is written as one too; no other character may be."""
    pattern = r"%0a|%0d|%25" if version >= CURRENT else r"%0a|%0d"
    return re.sub(pattern, lambda found: _ESCAPES[found[0].lower()], written, flags=re.IGNORECASE)


def _path(text: str) -> bytes:
    try:
        path = text.encode("utf-8")
    except UnicodeEncodeError:
        raise ValueError("is not in the encoding that the bag declares") from None
    try:
        path = plain_path(path)
    except ValueError:
        raise ValueError("has a path that leads out of the bag") from None
    if len(path) > PATH_BYTES_MAX or max(map(len, path.split(b"/"))) > NAME_BYTES_MAX:
        raise ValueError("has a path that no file has: it is too long")
    return path


def info_label(line: str) -> bool:
    """Whether a line of `bag-info.txt` is an element, goes on with one, or is empty."""
    return not line.strip(" \t") or line[0] in " \t" or _LABEL.match(line) is not None


def oxum(line: str) -> str | None:
    """The value of a line `Payload-Oxum`; None for any other."""
    found = _OXUM.match(line)
    return line[found.end() :].strip(" \t") if found else None


def oxum_value(text: str) -> tuple[int, int]:
    """Octets and files. Raises ValueError."""
    found = _OXUM_VALUE.fullmatch(text)
    if found is None:
        raise ValueError("is not two numbers with a point between them")
    return int(found[1]), int(found[2])
