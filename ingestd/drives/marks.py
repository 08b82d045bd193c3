"""The marks by which FAT, exFAT and HFS+ say that they were not cleanly unmounted.

Offsets: FAT from Microsoft's "FAT: General Overview of On-Disk Format" (version 1.03, the two bits of
FAT[1]) and the state byte as the Linux kernel's include/uapi/linux/msdos_fs.h has it; exFAT from
Microsoft's published exFAT specification (VolumeFlags, 3.1.13); HFS+ from Apple's Technical Note TN1150
(volume attributes). From memory; checked in the tests against volumes that drivers wrote.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Mapping

_BOOT = 512
_STATE_DIRTY = 0x01
_FAT32_CLEAN, _FAT16_CLEAN = 0x0800_0000, 0x8000
_EXFAT_DIRTY = 0x0002
_HFS_UNMOUNTED, _HFS_INCONSISTENT = 0x0000_0100, 0x0000_0800
_FAT12_CLUSTERS_MAX = 4084


def is_marked_unclean(fd: int, file_system: str) -> bool:
    """Whether a volume says of itself that it was not cleanly unmounted; False for kinds without a mark.

    Raises OSError when it cannot be read.
    """
    look = _LOOKS.get(file_system)
    try:
        return look is not None and look(fd)
    except struct.error:
        return True  # too short to hold what its own boot sector promises


def _vfat(fd: int) -> bool:
    boot = os.pread(fd, _BOOT, 0)
    sector_bytes, per_cluster, reserved, fats, roots, small_sectors = struct.unpack_from("<HBHBHH", boot, 11)
    fat16_sectors, large_sectors = struct.unpack_from("<H8xI", boot, 22)
    fat32 = fat16_sectors == 0
    state: int = boot[0x41] if fat32 else boot[0x25]
    if state & _STATE_DIRTY:
        return True
    second = os.pread(fd, 8, reserved * sector_bytes)
    if fat32:
        return not struct.unpack_from("<I", second, 4)[0] & _FAT32_CLEAN
    taken = reserved + fats * fat16_sectors + -(-roots * 32 // max(1, sector_bytes))
    clusters = ((small_sectors or large_sectors) - taken) // max(1, per_cluster)
    if clusters <= _FAT12_CLUSTERS_MAX:
        return False  # entries of twelve bits have none to spare
    return not struct.unpack_from("<H", second, 2)[0] & _FAT16_CLEAN


def _exfat(fd: int) -> bool:
    (flags,) = struct.unpack_from("<H", os.pread(fd, _BOOT, 0), 106)
    return bool(flags & _EXFAT_DIRTY)


def _hfsplus(fd: int) -> bool:
    (attributes,) = struct.unpack_from(">I", os.pread(fd, _BOOT, 1024), 4)
    return not attributes & _HFS_UNMOUNTED or bool(attributes & _HFS_INCONSISTENT)


_LOOKS: Mapping[str, Callable[[int], bool]] = {"vfat": _vfat, "exfat": _exfat, "hfsplus": _hfsplus}
