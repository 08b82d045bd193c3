"""Public keys that signed tickets are verified with, each as it is when it is needed.

A key is an Ed25519 public key in a file, in PEM (RFC 8410) or as a JWK (RFC 8037), or the `x` of such a
JWK. A file is read anew each time, so that what is wrong with it is told where it matters, and mended
without a restart.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from ingestd.drives.jws import PUBLIC_KEY_BYTES, KeyUnusable, PublicKeys, base64url, json_object

_FILE_BYTES_MAX = 16 * 1024


@dataclass(frozen=True, slots=True)
class TicketKey:
    """Where the public half of one key is: in a file, or, without one, here."""

    key_id: str
    file: str | None = None
    x: str = ""

    def public(self) -> bytes:
        """Its 32 bytes. Raises KeyUnusable, with words that follow what names the key."""
        return public_of_x(self.x) if self.file is None else _in_file(self.file)


def ring(keys: Iterable[TicketKey]) -> PublicKeys:
    return {key.key_id: key.public for key in keys}


class KeyRing(Mapping[str, Callable[[], bytes]]):
    """Keys that may be others later on: whoever holds the ring finds those of the moment."""

    def __init__(self, keys: PublicKeys) -> None:
        self._keys = keys

    def renew(self, keys: PublicKeys) -> None:
        self._keys = keys

    def __getitem__(self, key_id: str) -> Callable[[], bytes]:
        return self._keys[key_id]

    def __iter__(self) -> Iterator[str]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)


def public_of_x(x: object) -> bytes:
    """Raises KeyUnusable."""
    try:
        found = base64url(x) if isinstance(x, str) else b""
    except ValueError:
        found = b""
    if len(found) != PUBLIC_KEY_BYTES:
        raise KeyUnusable("is not an Ed25519 key: x must be 43 characters of base64url, for 32 bytes")
    return found


def _in_file(path: str) -> bytes:
    text = _read(path)
    if b"PRIVATE KEY" in text:
        raise KeyUnusable(f"is private in {path}: only its public half belongs on a station; change the key")
    return _in_pem(path, text) if b"-----BEGIN" in text else _in_jwk(path, text)


def _read(path: str) -> bytes:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        with open(fd, "rb") as file:
            if not stat.S_ISREG(os.fstat(fd).st_mode):
                raise KeyUnusable(f"cannot be read: {path} is not a file")
            return file.read(_FILE_BYTES_MAX)
    except OSError as error:
        raise KeyUnusable(f"cannot be read from {path}: {error.strerror}") from None


def _in_pem(path: str, text: bytes) -> bytes:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    try:
        key = load_pem_public_key(text)
    except (ValueError, UnsupportedAlgorithm):
        raise KeyUnusable(f"cannot be understood: {path} holds no public key in PEM") from None
    if not isinstance(key, Ed25519PublicKey):
        raise KeyUnusable(f"is not an Ed25519 key: {path} holds one of another kind")
    return key.public_bytes_raw()


def _in_jwk(path: str, text: bytes) -> bytes:
    try:
        jwk = json_object(text)
    except ValueError:
        raise KeyUnusable(f"cannot be understood: {path} is neither PEM nor a JWK") from None
    if "d" in jwk:
        raise KeyUnusable(f"is private in {path}: only its public half belongs on a station; change the key")
    if (jwk.get("kty"), jwk.get("crv")) != ("OKP", "Ed25519"):
        raise KeyUnusable(f'is not an Ed25519 key: the JWK in {path} must have kty "OKP" and crv "Ed25519"')
    return public_of_x(jwk.get("x"))
