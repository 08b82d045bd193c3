"""Files of an NTFS that only the Windows that wrote them could read."""

from __future__ import annotations

import struct
from pathlib import Path

_RECORD_BYTES = 1024
_DATA, _END = 0x80, 0xFFFF_FFFF
_ENCRYPTED = 0x4000


def mark_encrypted(image: Path, name: str) -> None:
    """Have a file in an image, of a partition or of a drive, say that Windows has encrypted it (EFS).

    That is ATTR_FLAG_ENCRYPTED of its unnamed data. Offsets are those of fs/ntfs3/ntfs.h: the first attribute
    of a record at 14h, an attribute's length at 4 of it, its flags at 12. The record's own check (its fixups)
    has no part in these bytes.
    """
    data = bytearray(image.read_bytes())
    wanted, changed = name.encode("utf-16-le"), 0
    for record in range(0, len(data), _RECORD_BYTES):
        if data[record : record + 4] == b"FILE" and wanted in data[record : record + _RECORD_BYTES]:
            changed += _mark_data(data, record)
    assert changed == 1, f"{changed} records of {name}"
    image.write_bytes(data)


def _mark_data(data: bytearray, record: int) -> int:
    """Mark the data of the file that has this record; how many attributes that was."""
    at, marked = record + struct.unpack_from("<H", data, record + 0x14)[0], 0
    while (kind := struct.unpack_from("<I", data, at)[0]) != _END:
        if kind == _DATA:
            (flags,) = struct.unpack_from("<H", data, at + 12)
            struct.pack_into("<H", data, at + 12, flags | _ENCRYPTED)
            marked += 1
        at += struct.unpack_from("<I", data, at + 4)[0]
    return marked
