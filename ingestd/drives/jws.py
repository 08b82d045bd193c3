"""Signed texts: compact JWS (RFC 7515) with Ed25519 (RFC 8037), verified with one of several known keys.

Narrow on purpose: one algorithm, whatever the text asks for; nothing in the payload is looked at before
the signature over it is known to be good. `cryptography` does the verifying. It is loaded when a signed
text turns up, since it takes 60 ms and 10 MiB, and a station may never see one.
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingestd.core.names import printable, shortened

_ALGORITHMS = ("EdDSA", "Ed25519")
"""Two names of one algorithm: of RFC 8037, and of RFC 9864, which is to take its place."""

PUBLIC_KEY_BYTES = 32
_SIGNATURE_BYTES = 64
_BASE64URL = re.compile(r"[A-Za-z0-9_-]+")


class KeyUnusable(Exception):
    """A key that is configured cannot be used; the words follow the key's name."""


class NotProven(Exception):
    """A signed text proves nothing; the words follow what the text is called."""


PublicKeys = Mapping[str, Callable[[], bytes]]
"""By key id, what gives the 32 bytes of a public key, and raises KeyUnusable where that cannot be had."""


@dataclass(frozen=True, slots=True)
class Proven:
    """A payload whose signature was verified with the key of this id."""

    key_id: str
    payload: bytes


def verified(text: str, keys: PublicKeys) -> Proven:
    """The payload of a compact JWS. Raises NotProven with the reason why it is not to be believed."""
    parts = text.split(".")
    if len(parts) != 3:
        raise NotProven("is not signed as it says: a compact JWS has three parts with dots between them")
    header, payload, signature = (_decoded(part) for part in parts)
    key_id = _key_id(_header(header))
    if key_id not in keys:
        known = f"known: {', '.join(sorted(keys))}" if keys else "[[tickets.keys]] has none"
        raise NotProven(f"is signed with the key {shown(key_id)}, which this station does not know; {known}")
    try:
        key = keys[key_id]()
    except KeyUnusable as error:
        raise NotProven(f"cannot be verified: the key {key_id} of the configuration {error}") from None
    if not is_signed(key, signature, f"{parts[0]}.{parts[1]}".encode("ascii")):
        raise NotProven(f"has a signature that is not that of the key {key_id}: it was altered, or forged")
    return Proven(key_id, payload)


def is_signed(key: bytes, signature: bytes, message: bytes) -> bool:
    """Whether the signature over a message is that of this public key."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    if len(signature) != _SIGNATURE_BYTES:
        return False
    try:
        Ed25519PublicKey.from_public_bytes(key).verify(signature, message)
    except InvalidSignature:
        return False
    return True


def json_object(text: bytes) -> dict[str, Any]:
    """An object in which each name stands once (RFC 7515, section 4). Raises ValueError for all else."""
    try:
        found = json.loads(text.decode("utf-8"), object_pairs_hook=_unique)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    if not isinstance(found, dict):
        raise ValueError("not an object")
    return found


def base64url(text: str) -> bytes:
    """What base64url without padding stands for (RFC 7515, section 2). Raises ValueError for all else."""
    if not _BASE64URL.fullmatch(text):
        raise ValueError("not base64url")
    found = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    if base64.urlsafe_b64encode(found).rstrip(b"=") != text.encode("ascii"):
        raise ValueError("not the one way to write these bytes")
    return found


def shown(value: object) -> str:
    """A stranger's word as one short line of harmless text."""
    text = value if isinstance(value, str) else json.dumps(value)
    return shortened(printable(text.encode("utf-8", "surrogatepass")), 60)


def _decoded(part: str) -> bytes:
    try:
        return base64url(part)
    except ValueError:
        raise NotProven("is not signed as it says: a part of it is not base64url") from None


def _header(text: bytes) -> dict[str, Any]:
    try:
        return json_object(text)
    except ValueError:
        raise NotProven("is not signed as it says: its header is not one JSON object") from None


def _key_id(header: Mapping[str, Any]) -> str:
    """The id of the key that a header names, if all else in it is as it has to be."""
    if header.get("alg") not in _ALGORITHMS:
        algorithm = shown(header["alg"]) if "alg" in header else "nothing"
        raise NotProven(f"names {algorithm} as its algorithm; only {' and '.join(_ALGORITHMS)} count")
    if "crit" in header:
        raise NotProven(f"asks for extensions (crit: {shown(header['crit'])}), of which none is known here")
    key_id = header.get("kid")
    if not isinstance(key_id, str):
        raise NotProven("names no key (kid), so nobody can say whose signature it is")
    return key_id


def _unique(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a name stands twice")
    return found
