"""Room for what the journal has to remember of a drive: a single one must not end the whole station."""

from __future__ import annotations

import os
from collections.abc import Callable

from ingestd.ports import StationFull

FREE_BYTES = 1 << 30
FREE_SHARE = 10


def floor_bytes(disk_bytes: int) -> int:
    """What surveys leave free on a disk of this size: a tenth, and no more than 1 GiB."""
    return min(FREE_BYTES, disk_bytes // FREE_SHARE)


class Room:
    """Asked by a survey as it goes; raises StationFull before the journal's disk is full, which would stop
    the daemon, and beyond the number of files that the site wants to remember of a drive."""

    def __init__(self, journal_folder: str, files_max: Callable[[], int]) -> None:
        self._folder = journal_folder
        self._files_max = files_max

    def __call__(self, files: int) -> None:
        """`files`: how many this survey has found so far."""
        most = self._files_max()
        if files > most:
            raise StationFull(
                f"there are more than {most:,} files on the drive: raise drives.files_max, where the "
                "journal's disk has the room, reload, and lift the hold"
            )
        disk = os.statvfs(self._folder)
        free, floor = disk.f_bavail * disk.f_frsize, floor_bytes(disk.f_blocks * disk.f_frsize)
        if free < floor:
            raise StationFull(
                f"the journal's disk has {free >> 20} MiB left, and surveys leave {floor >> 20} MiB to the "
                f"loads: make room, then lift the hold ({files:,} files of this drive were listed so far)"
            )
