"""Serials, WWNs and UUIDs as they are compared, however they came to be written."""

from __future__ import annotations


def normal_serial(serial: str | None) -> str | None:
    """Without the padding that some bridges add; otherwise exact."""
    return serial.strip() or None if serial else None


def normal_wwn(wwn: str | None) -> str | None:
    """Hexadecimal digits only, whichever of the usual prefixes it came with."""
    if not wwn:
        return None
    text = wwn.strip().lower()
    for prefix in ("0x", "naa.", "eui.", "wwn-0x"):
        text = text.removeprefix(prefix)
    return text.replace(" ", "").replace(":", "").replace("-", "") or None


def normal_uuid(uuid: str | None) -> str | None:
    return uuid.strip().lower() or None if uuid else None
