"""System calls that Python's `os` leaves out, by way of the C library. Errors are OSError, as in `os`."""

from __future__ import annotations

import ctypes
import errno
import os
import re
import sys
from collections.abc import Callable
from typing import Any

_libc = ctypes.CDLL(None, use_errno=True)

_RENAME_NOREPLACE = 1

_SYNCFS_TELLS_ERRORS = (5, 8)
"""Before this Linux release syncfs(2) came back clean even when blocks could not be written."""

_SYNCED_AS_A_WHOLE = {
    0xEF53: "ext4",
    0x58465342: "xfs",
    0x9123683E: "btrfs",
    0x01021994: "tmpfs",
    0xF2F52010: "f2fs",
    0x2FC12FC1: "zfs",
}
"""File systems whose syncfs(2) is as good as an fsync(2) of every file, by their numbers in statfs(2).

FUSE is the one that is not: the kernel hands its pages over, but never tells it to make them last.
"""


def rename_to_new(folder_fd: int, name: str, to_folder_fd: int, to_name: bytes) -> None:
    """renameat2(2) that never replaces: FileExistsError where something has the name.

    Raises OSError with EINVAL or ENOSYS where the file system or the system cannot promise that.
    """
    arguments = (folder_fd, os.fsencode(name), to_folder_fd, to_name, ctypes.c_uint(_RENAME_NOREPLACE))
    _checked("renameat2", *arguments)


def sync_file_system(fd: int) -> None:
    """Make everything last that was written to the file system before.

    An error is reported that happened since `fd` was opened, whoever wrote the data.
    """
    _checked("syncfs", fd)


def can_sync_file_system(fd: int) -> bool:
    """Whether `sync_file_system` makes a file last as surely as fsync(2) of that file would."""
    release = re.match(r"(\d+)\.(\d+)", os.uname().release)
    if release is None or tuple(map(int, release.groups())) < _SYNCFS_TELLS_ERRORS:
        return False
    return hasattr(_libc, "syncfs") and _type_of_file_system(fd) in _SYNCED_AS_A_WHOLE


def _type_of_file_system(fd: int) -> int:
    """The first field of struct statfs, a machine word on the platforms served here."""
    answer = ctypes.create_string_buffer(512)
    _checked("fstatfs", fd, answer)
    word = answer.raw[: ctypes.sizeof(ctypes.c_long)]
    return int.from_bytes(word, sys.byteorder) & 0xFFFFFFFF


def _checked(function: str, *arguments: Any) -> None:
    call: Callable[..., int] | None = getattr(_libc, function, None)
    if call is None:
        raise OSError(errno.ENOSYS, f"the C library has no {function}")
    if call(*arguments) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
