"""Signed job tickets, as an order system makes them."""

from __future__ import annotations

import base64
import json
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from ingestd.drives.ticket_keys import TicketKey, ring


def base64url(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER_KEY = Ed25519PrivateKey.from_private_bytes(bytes(32))
KEY_ID = "orders-2031"
RING = ring([TicketKey(KEY_ID, x=base64url(KEY.public_key().public_bytes_raw()))])
HEADER = {"alg": "EdDSA", "kid": KEY_ID}


def x_of(key: Ed25519PrivateKey = KEY) -> str:
    """The public half, as a JWK has it."""
    return base64url(key.public_key().public_bytes_raw())


def pem_of(key: Ed25519PrivateKey = KEY) -> bytes:
    return key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)


def compact(
    payload: dict[str, Any] | bytes,
    header: dict[str, Any] | bytes = HEADER,
    key: Ed25519PrivateKey = KEY,
) -> str:
    parts = [part if isinstance(part, bytes) else json.dumps(part).encode() for part in (header, payload)]
    signed = ".".join(map(base64url, parts))
    return f"{signed}.{base64url(key.sign(signed.encode()))}"


def ticket(payload: dict[str, Any], header: dict[str, Any] = HEADER, key: Ed25519PrivateKey = KEY) -> bytes:
    """The content of an ingest-ticket.json."""
    return json.dumps({"signed": compact(payload, header, key)}).encode()
