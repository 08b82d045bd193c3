"""A real HFS+ volume, as libisofs writes it beside an ISO 9660 in the manner of hybrid discs."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Mapping
from pathlib import Path

_HEADER = 1024
_ATTRIBUTES, _UNMOUNTED = _HEADER + 4, 0x0000_0100
"""The volume's attributes and the bit in them for having been unmounted (TN1150)."""
_SECTOR = 512


def hfsplus_volume(folder: Path, files: Mapping[str, bytes], label: str = "KELP") -> bytes:
    """The bytes of a volume with these files in its root."""
    content, disc = folder / "hfs-files", folder / "hfs.iso"
    content.mkdir()
    for name, body in files.items():
        (content / name).write_bytes(body)
    command = ["xorriso", "-as", "mkisofs", "-quiet", "-hfsplus", "-V", label, "-o", str(disc), str(content)]
    subprocess.run(command, check=True, capture_output=True)
    image = disc.read_bytes()
    start, sectors = _apple_partition(image, b"Apple_HFS")
    return image[start * _SECTOR : (start + sectors) * _SECTOR]


def never_unmounted(volume: bytes) -> bytes:
    """The same volume, as a Mac leaves it that loses power."""
    (attributes,) = struct.unpack_from(">I", volume, _ATTRIBUTES)
    assert attributes & _UNMOUNTED
    changed = bytearray(volume)
    struct.pack_into(">I", changed, _ATTRIBUTES, attributes & ~_UNMOUNTED)
    return bytes(changed)


def _apple_partition(image: bytes, kind: bytes) -> tuple[int, int]:
    """Start and length, in sectors, of the partition of a kind in an Apple partition map."""
    for at in range(_SECTOR, 64 * _SECTOR, _SECTOR):
        if image[at : at + 2] == b"PM" and image[at + 48 : at + 80].rstrip(b"\0") == kind:
            start, sectors = struct.unpack_from(">II", image, at + 8)
            return start, sectors
    raise AssertionError(f"no partition of the kind {kind!r}")
