"""Whose fault an error of the system is, where it says nothing about the drive."""

from __future__ import annotations

import errno

from ingestd.files import MOUNT_ENDED, MOUNT_ENDED_TEXT
from ingestd.ports import ResourcesExhausted, ToolFailed

_SHORTAGES = frozenset((errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.ENOBUFS))
_NO_RIGHTS = frozenset((errno.EACCES, errno.EPERM))


def blame_station(error: OSError) -> None:
    """Raise for an error that only says something about the station: ResourcesExhausted when it is out of
    something, ToolFailed when the mount has ended."""
    if error.errno in MOUNT_ENDED:
        raise ToolFailed(f"{MOUNT_ENDED_TEXT} ({error.strerror})") from error
    if error.errno in _SHORTAGES:
        raise ResourcesExhausted(
            f"the station cannot open another file or folder ({error.strerror}): "
            "raise the daemon's limit of open files or of memory, or give it fewer loads at once"
        ) from error


def lacks_rights(error_number: int) -> bool:
    """Whether an error only says that the daemon was not let in."""
    return error_number in _NO_RIGHTS
