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
from ingestd.content.randomness import judged
from ingestd.content.sample import Content, HeadContent, Structure, Verdict
from ingestd.core.model import Secrecy

_HEAD_BYTES = 64 << 10
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
        return _judged(content, head, headers.end(), openpgp.structure)
    return None


def _judged(
    content: Content, head: bytes, at: int, recognised: Callable[[Content], Structure | None]
) -> Verdict | None:
    structure = recognised(_decoded_head(content, head, at))
    if structure is None or content.size_bytes is None:
        return None
    # Three bytes stand for four, and a line of 64 or 76 has up to two bytes to end it.
    start = at + structure.payload_at * 4 * 66 // (3 * 64)
    armoured = dataclasses.replace(structure, kind=f"{structure.kind}, armoured", refine=decoded)
    return judged(content, armoured, start, content.size_bytes)


def _decoded_head(content: Content, head: bytes, at: int) -> HeadContent:
    """What the base64 from `at` stands for, as far as it lies in the head."""
    body = re.split(rb"^[=-]", head[at:], maxsplit=1, flags=re.MULTILINE)[0]
    whole = content.size_bytes == len(head)
    binary = decoded(body)
    return HeadContent(binary, len(binary) if whole else None)


def decoded(text: bytes) -> bytes:
    """What base64 stands for, whatever stands between its characters."""
    code = text.translate(None, _NOT_BASE64)
    # One character left over has no meaning; two or three have, with padding.
    code = code[: len(code) - (len(code) % 4 == 1)]
    return binascii.a2b_base64(code + b"=" * (-len(code) % 4))
