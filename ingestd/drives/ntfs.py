"""Whether an NTFS volume was cleanly unmounted, read from the volume itself.

The kernel's driver mounts one that was not read-only without a word and leaves its log unapplied,
which would hide files; so it has to be asked before. Format: the records $LogFile (2) and $Volume (3)
of the master file table, as the Linux kernel's fs/ntfs3/ntfs.h and the former fs/ntfs/logfile.h have it.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass

_LOG_FILE_RECORD, _VOLUME_RECORD = 2, 3
_DATA, _VOLUME_INFORMATION, _END = 0x80, 0x70, 0xFFFFFFFF
_VOLUME_IS_DIRTY = 0x0001
_SECTOR = 512  # the stride of update sequences, whatever the device's sectors are
_RESTART_PAGE = 4096
_NO_CLIENT = 0xFFFF
_RESTART_VOLUME_IS_CLEAN = 0x0002
_RECORD_BYTES_MAX = 65536


@dataclass(frozen=True, slots=True)
class State:
    """How a volume was left. One that is only marked has nothing that would have to be replayed."""

    log_problem: str | None = None
    """Why its log cannot be passed over, in words; None when nothing in it is missing elsewhere."""
    marked: bool = False
    """It is marked as in need of a check."""


def state_of(fd: int) -> State:
    """How the NTFS volume on this device was left.

    A volume that cannot be understood is not clean. Raises OSError when it cannot be read.
    """
    try:
        return _Table(fd).state()
    except (ValueError, IndexError, OverflowError, struct.error) as error:
        return State(f"its structures cannot be followed ({error})")


class _Table:
    """The beginning of the master file table."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        boot = os.pread(fd, _SECTOR, 0)
        sector, per_cluster = struct.unpack_from("<HB", boot, 0x0B)
        self._cluster_bytes: int = sector * (per_cluster if per_cluster < 0x80 else 1 << (256 - per_cluster))
        (first_cluster,) = struct.unpack_from("<Q", boot, 0x30)
        (record,) = struct.unpack_from("<b", boot, 0x40)
        self._record = record * self._cluster_bytes if record > 0 else 1 << -record
        self._start = first_cluster * self._cluster_bytes
        if not self._cluster_bytes or not _SECTOR <= self._record <= _RECORD_BYTES_MAX:
            raise ValueError("its boot sector makes no sense")

    def state(self) -> State:
        (flags,) = struct.unpack_from("<H", self._resident(_VOLUME_RECORD, _VOLUME_INFORMATION), 10)
        log = os.pread(self._fd, 2 * _RESTART_PAGE, self._first_cluster(_LOG_FILE_RECORD, _DATA))
        return State(_why_log_unclean(log), marked=bool(flags & _VOLUME_IS_DIRTY))

    def _attributes(self, number: int) -> Iterator[tuple[int, bytes]]:
        record = _fixed_up(os.pread(self._fd, self._record, self._start + number * self._record))
        (at,) = struct.unpack_from("<H", record, 0x14)
        while True:
            kind, length = struct.unpack_from("<II", record, at)
            if kind == _END:
                return
            if length < 16:
                raise ValueError(f"record {number} is damaged")
            yield kind, record[at : at + length]
            at += length

    def _attribute(self, number: int, kind: int) -> bytes:
        for found, attribute in self._attributes(number):
            if found == kind:
                return attribute
        raise ValueError(f"record {number} lacks attribute {kind:#x}")

    def _resident(self, number: int, kind: int) -> bytes:
        attribute = self._attribute(number, kind)
        length, at = struct.unpack_from("<IH", attribute, 0x10)
        return attribute[at : at + length]

    def _first_cluster(self, number: int, kind: int) -> int:
        """Where on the device a non-resident attribute begins: the first of its mapping pairs."""
        attribute = self._attribute(number, kind)
        (at,) = struct.unpack_from("<H", attribute, 0x20)
        length_bytes, offset_bytes = attribute[at] & 0x0F, attribute[at] >> 4
        begin = at + 1 + length_bytes
        if not attribute[8] or not offset_bytes:
            raise ValueError(f"record {number} has no clusters")
        cluster = int.from_bytes(attribute[begin : begin + offset_bytes], "little", signed=True)
        return cluster * self._cluster_bytes


def _fixed_up(record: bytes) -> bytes:
    """The record with the last two bytes of each sector put back from its update sequence."""
    if record[:4] != b"FILE":
        raise ValueError("a record of the file table is damaged")
    at, count = struct.unpack_from("<HH", record, 4)
    fixed = bytearray(record)
    for sector in range(1, count):
        end = sector * _SECTOR
        if fixed[end - 2 : end] != record[at : at + 2]:
            raise ValueError("a record of the file table was only half written")
        fixed[end - 2 : end] = record[at + 2 * sector : at + 2 * sector + 2]
    return bytes(fixed)


def _why_log_unclean(log: bytes) -> str | None:
    """The later of the two restart pages decides; a log that was emptied was clean."""
    pages = [log[:_RESTART_PAGE], log[_RESTART_PAGE:]]
    if all(page.strip(b"\xff") == b"" for page in pages):
        return None
    areas = [_restart_area(page) for page in pages if page[:4] in (b"RSTR", b"CHKD")]
    if not areas:
        return "its log cannot be understood"
    _, clients, flags = max(areas)
    if clients == _NO_CLIENT or flags & _RESTART_VOLUME_IS_CLEAN:
        return None
    return "its log is open"


def _restart_area(page: bytes) -> tuple[int, int, int]:
    """Last sequence number of the log, first client in use, flags; all in the page's first sector."""
    (at,) = struct.unpack_from("<H", page, 0x18)
    sequence, _, _, clients, flags = struct.unpack_from("<QHHHH", page, at)
    return sequence, clients, flags
