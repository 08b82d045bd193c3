"""Who a drive is, from what udev and the disk itself say. Pure: facts in, identity out.

A USB enclosure often gives a serial number of its own, the same for thousands of them, or none. So what
the disk says counts; an enclosure's serial only where the disk says nothing and the serial is fit to tell
drives apart, and never without model and size beside it.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from ingestd.core.drive import DriveIdentity
from ingestd.core.names import from_printable, printable

_COUNTING = "01234567890123456789"
_COUNTING_LETTERS = "0123456789ABCDEF0123456789ABCDEF"
_KNOWN_DUMMIES = re.compile(
    r"DD5641988[0-9A-F]+|1234567890ABCDEF|ABCDEF0123456789|0{6,}[0-9A-F]{1,2}|(?:NO)?SERIAL(?:NUMBER)?|NONE|N/A|DEFAULT.*"
    r"|TO ?BE ?FILLED.*|MSFT30|USB2?3?\.?0?"
)
"""Serials that enclosures are known in the trade to give by the thousand. From memory: a list like this is
never complete, which is why the disk itself is asked."""

_SHORTEST = 3


def is_dummy(serial: str) -> bool:
    """Whether a serial number cannot tell two drives apart: one repeated sign, counting, a known dummy."""
    text = re.sub(r"[\s_-]", "", serial).upper()
    if len(text) < _SHORTEST or len(set(text)) == 1:
        return True
    counting = text in _COUNTING or text in _COUNTING_LETTERS or text[::-1] in _COUNTING_LETTERS
    return counting or _KNOWN_DUMMIES.fullmatch(text) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """What udev says of a disk, and how much of it the disk itself has said."""

    own: DriveIdentity
    enclosure_serial: str | None = None
    """Of the enclosure, or of nobody knows whom; None when the disk's own serial is known."""

    @property
    def complete(self) -> bool:
        """Whether nobody else has to be asked."""
        return self.own.serial is not None


def claimed(properties: Mapping[str, str], size_bytes: int, *, behind_usb: bool) -> Claimed:
    """The identity in udev's properties of a disk.

    `ata_id` asks the disk, also through an enclosure, and sets ID_ATA; NVMe and SCSI disks on a bus of
    their own speak for themselves. Anything else behind USB is the enclosure speaking.
    """
    own = not behind_usb or properties.get("ID_ATA") == "1"
    model = _decoded(properties.get("ID_MODEL_ENC")) or _fact(properties.get("ID_MODEL"))
    wwn = _fact(properties.get("ID_WWN_WITH_EXTENSION")) or _fact(properties.get("ID_WWN"))
    serial = _serial(properties)
    return Claimed(
        own=DriveIdentity(
            serial=serial if own else None,
            wwn=wwn if own else None,
            model=model,
            size_bytes=size_bytes,
        ),
        enclosure_serial=None if own else serial,
    )


def _serial(properties: Mapping[str, str]) -> str | None:
    """ID_SCSI_SERIAL is the unit's serial number where ID_SERIAL_SHORT is but its WWN again."""
    for name in ("ID_SCSI_SERIAL", "ID_SERIAL_SHORT"):
        serial = _fact(properties.get(name))
        if serial is not None and not is_dummy(serial):
            return serial
    return None


def settled(by_udev: Claimed, by_disk: DriveIdentity | None, *, shared: bool) -> DriveIdentity:
    """Who the drive is, once the disk has been asked (None: it gave no answer).

    `shared`: another drive that is plugged in has the same enclosure's serial.
    """
    own = by_udev.own
    if by_disk is not None and (by_disk.serial is not None or by_disk.wwn is not None):
        return DriveIdentity(
            serial=by_disk.serial or own.serial,
            wwn=by_disk.wwn or own.wwn,
            model=by_disk.model or own.model,
            size_bytes=own.size_bytes,
        )
    serial = own.serial or (None if shared else by_udev.enclosure_serial)
    return DriveIdentity(serial=serial, wwn=own.wwn, model=own.model, size_bytes=own.size_bytes)


def _fact(text: str | None) -> str | None:
    """A property that says something, fit to be shown; signs that are not become `\\xNN`."""
    stripped = (text or "").strip()
    if not stripped:
        return None
    return stripped if stripped.isprintable() else printable(stripped.encode("utf-8", "surrogateescape"))


def _decoded(encoded: str | None) -> str | None:
    """A property in udev's own form, where every sign that could be mistaken is `\\xNN`."""
    with contextlib.suppress(ValueError):
        return _fact(from_printable(encoded or "").decode("utf-8", "replace"))
    return None
