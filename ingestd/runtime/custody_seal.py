"""The seal on a record of custody: its head, signed with a key of the site once the drive has been released.

Anybody can chain hashes: a record that was written anew, or cut off behind an earlier release, is told only
by what whoever wrote it could not have made: a compact JWS (RFC 7515) with Ed25519 (RFC 8037) over this head.
"""

from __future__ import annotations

import base64
import json
import os
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingestd.core.drive import CustodyHead
from ingestd.drives.jws import NotProven, base64url, json_object, verified
from ingestd.drives.ticket_keys import TicketKey

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

FORMAT = "ingestd-custody-seal-1"
SEAL_SUFFIX = ".jws"
SEAL_BYTES_MAX = 16 << 10
_KEY_BYTES_MAX = 16 << 10


class SealingImpossible(Exception):
    """The site's private key cannot be used; the words follow what names it."""


@dataclass(frozen=True, slots=True)
class SealingKey:
    """Where the private half of a site's key lies: in PEM (PKCS 8). Read whenever it is needed."""

    key_id: str
    file: str

    def sealed(self, load_id: str, station: str, head: CustodyHead) -> str:
        """The head of a record, signed. Raises SealingImpossible."""
        key = self._private()
        header = {"alg": "EdDSA", "kid": self.key_id}
        said = {
            "entries": head.entries,
            "format": FORMAT,
            "load_id": load_id,
            "sha256": head.sha256,
            "station": station,
        }
        signed = ".".join(_base64url(json.dumps(part).encode()) for part in (header, said))
        return f"{signed}.{_base64url(key.sign(signed.encode('ascii')))}"

    def check(self) -> None:
        """Raises SealingImpossible."""
        self._private()

    def _private(self) -> Ed25519PrivateKey:
        from cryptography.exceptions import UnsupportedAlgorithm
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
        from cryptography.hazmat.primitives.serialization import load_pem_private_key

        try:
            fd = os.open(self.file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
            with open(fd, "rb") as file:
                if not stat.S_ISREG(os.fstat(fd).st_mode):
                    raise SealingImpossible(f"cannot be read: {self.file} is not a file")
                text = file.read(_KEY_BYTES_MAX)
        except OSError as error:
            raise SealingImpossible(f"cannot be read from {self.file}: {error.strerror}") from None
        try:
            key = load_pem_private_key(text, password=None)
        except (ValueError, TypeError, UnsupportedAlgorithm):
            raise SealingImpossible(
                f"cannot be understood: {self.file} holds no private key in PEM without a password"
            ) from None
        if not isinstance(key, Ed25519PrivateKey):
            raise SealingImpossible(f"is not an Ed25519 key: {self.file} holds one of another kind")
        return key


def verified_head(seal: bytes, public_key_file: str) -> CustodyHead:
    """The head that a seal vouches for, by the public key in this file, whatever its id. Raises NotProven."""
    text = seal.decode("ascii", "replace").strip()
    try:
        key_id = json_object(base64url(text.split(".")[0])).get("kid")
    except ValueError:
        key_id = None
    key = TicketKey(str(key_id), public_key_file)
    proven = verified(text, {key.key_id: key.public})
    head = _head(proven.payload)
    if head is None:
        raise NotProven("is signed, and is no seal of a record of custody")
    return head


def head_in(seal: bytes) -> CustodyHead | None:
    """The head that a seal tells, whoever made it; None where it tells none."""
    try:
        return _head(base64url(seal.decode("ascii").split(".")[1]))
    except (ValueError, IndexError):
        return None


def _head(payload: bytes) -> CustodyHead | None:
    try:
        said = json_object(payload)
    except ValueError:
        return None
    entries, sha256 = said.get("entries"), said.get("sha256")
    if said.get("format") != FORMAT or type(entries) is not int or not isinstance(sha256, str):
        return None
    return CustodyHead(entries=entries, sha256=sha256)


def _base64url(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode("ascii")
