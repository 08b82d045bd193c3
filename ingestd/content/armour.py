"""Encrypted messages that were turned into text: base64, mostly between lines that say what it is.

OpenPGP (RFC 9580, section 6), age and CMS (RFC 7468) and `openssl enc -a`. What the text stands for
is judged as if it were binary.
"""

from __future__ import annotations

import binascii
import dataclasses
import re
from collections.abc import Callable

from ingestd.content import cms, containers, openpgp
from ingestd.content.randomness import GAP_BYTES_MAX, judged
from ingestd.content.sample import Content, HeadContent, Structure, Verdict
from ingestd.core.found import Secrecy

_HEAD_BYTES = 64 << 10
_TAIL_BYTES = 8 << 10
_FOREIGN_SHARE_MAX = 1 / 8
"""Of line ends, padding and a checksum: 3 in 66 characters in the long run."""
_END = re.compile(rb"^-----END [A-Z0-9 ]{3,40}-----", re.MULTILINE)
_BEGIN = re.compile(rb"(?:\xef\xbb\xbf)?\s*-----BEGIN ([A-Z0-9 ]{3,40})-----[ \t]*\r?\n")
_PGP_HEADERS = re.compile(rb"(?:[A-Za-z][\w-]*: [^\n]*\n)*[ \t]*\r?\n")
_BASE64 = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/"
_NOT_BASE64 = bytes(set(range(256)) - set(_BASE64))
_SALTED = b"U2FsdGVkX1"
_PLAIN_LABELS = frozenset((b"PGP SIGNED MESSAGE", b"PGP SIGNATURE", b"PGP PUBLIC KEY BLOCK"))


def recognise(content: Content) -> Verdict | None:
    """The verdict on an armoured message; None for anything else."""
    head = content.read(0, _HEAD_BYTES)
    if head.startswith(_SALTED):
        return _judged(content, head, 0, containers.salted)
    begin = _BEGIN.match(head)
    if begin is None:
        return None
    label = begin[1]
    if label in _PLAIN_LABELS:
        return Secrecy.PLAIN, label.decode("ascii").replace("PGP", "openpgp").lower()
    if label == b"AGE ENCRYPTED FILE":
        return _judged(content, head, begin.end(), containers.age)
    if label in (b"CMS", b"PKCS7"):
        return _judged(content, head, begin.end(), cms.structure)
    if label == b"PGP MESSAGE" and (headers := _PGP_HEADERS.match(head, begin.end())):
        if headers.end() - begin.end() > GAP_BYTES_MAX:
            return Secrecy.UNKNOWN, "openpgp, armoured, with more headers than a message has"
        return _judged(content, head, headers.end(), openpgp.structure)
    return None


def _judged(
    content: Content, head: bytes, at: int, recognised: Callable[[Content], Structure | None]
) -> Verdict | None:
    structure = recognised(_decoded_head(content, head, at))
    if structure is None or content.size_bytes is None:
        return None
    kind, end = f"{structure.kind}, armoured", content.size_bytes
    if at:
        tail_at = max(at, end - _TAIL_BYTES)
        closing = list(_END.finditer(content.read(tail_at, _TAIL_BYTES)))
        if not closing and content.ended:
            return Secrecy.UNKNOWN, f"{kind}, without its end"
        end = tail_at + closing[-1].start() if closing else end
    start = _place_of(head, at, structure.payload_at)
    inner = structure.refine

    def refine(block: bytes) -> bytes:
        return inner(_payload(block)) if inner else _payload(block)

    return judged(content, dataclasses.replace(structure, kind=kind, refine=refine), start, end)


def _place_of(head: bytes, at: int, number: int) -> int:
    """Where the base64 from `at` begins to stand for the byte of this number."""
    left = number * 4 // 3
    for line in head[at:].splitlines(keepends=True):
        length = len(line.translate(None, _NOT_BASE64))
        if length > left:
            return at + left
        at, left = at + len(line), left - length
    return at


def _decoded_head(content: Content, head: bytes, at: int) -> HeadContent:
    """What the base64 from `at` stands for, as far as it lies in the head."""
    body = re.split(rb"^[=-]", head[at:], maxsplit=1, flags=re.MULTILINE)[0]
    whole = content.size_bytes == len(head)
    binary = decoded(body)
    return HeadContent(binary, len(binary) if whole else None)


def _payload(text: bytes) -> bytes:
    """What a block stands for; itself, where too much of it is not base64."""
    foreign = len(text) - len(text.translate(None, _NOT_BASE64))
    return text if foreign > len(text) * _FOREIGN_SHARE_MAX else decoded(text)


def decoded(text: bytes) -> bytes:
    """What base64 stands for, whatever stands between its characters."""
    code = text.translate(None, _NOT_BASE64)
    # One character left over has no meaning; two or three have, with padding.
    code = code[: len(code) - (len(code) % 4 == 1)]
    return binascii.a2b_base64(code + b"=" * (-len(code) % 4))
