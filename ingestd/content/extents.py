"""Where on the medium a file begins, so that a disk that turns is read from its beginning to its end.

Asked of the file system: FIEMAP (the kernel's Documentation/filesystems/fiemap.rst) where it has that,
else FIBMAP, which takes CAP_SYS_RAWIO. FIEMAP's numbers are those of include/uapi/linux/fiemap.h.
"""

from __future__ import annotations

import errno
import fcntl
import os
import struct
from collections.abc import Callable

from ingestd.files import open_at

_FS_IOC_FIEMAP = 0xC020660B
_FIEMAP = struct.pack("=QQIIII56x", 0, (1 << 64) - 1, 0, 0, 1, 0)
"""Asks for one extent of the whole file, which comes back behind it: fe_logical, fe_physical, fe_length, two
reserved words, fe_flags, three reserved ones."""
_FIRST_EXTENT = struct.Struct("=20xI8x8xQ24xI12x").unpack
"""fm_mapped_extents, fe_physical, fe_flags."""
_EXTENT_UNKNOWN = 0x2
_FIBMAP = 1
_FIGETBSZ = 2

_NOT_HERE = {errno.EOPNOTSUPP, errno.ENOTTY, errno.ENOSYS, errno.EINVAL, errno.EPERM, errno.EBADR}
_OPEN = os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC

VOLUME_BITS = 50
"""Volumes lie one behind the other: 1 PiB of places for each."""


def by_fiemap(fd: int) -> int | None:
    """Byte offset of the file's first extent in its volume, None if it has none that is known.

    Raises OSError where the file system cannot tell.
    """
    mapped, physical, flags = _FIRST_EXTENT(fcntl.ioctl(fd, _FS_IOC_FIEMAP, _FIEMAP))
    return None if not mapped or flags & _EXTENT_UNKNOWN else physical


def by_fibmap(fd: int) -> int | None:
    """The same from the number of the file's first block; block 0 stands for none."""
    block: int = struct.unpack("=i", fcntl.ioctl(fd, _FIBMAP, struct.pack("=i", 0)))[0]
    size: int = struct.unpack("=i", fcntl.ioctl(fd, _FIGETBSZ, struct.pack("=i", 0)))[0]
    return (block & 0xFFFFFFFF) * size or None


class Places:
    """Tells the places of the files of one volume, as numbers to sort by.

    A file without a place of its own, such as an empty one, gets that of the one before it, so that it
    stays where the walk came upon it. Where the file system tells nothing all have the same.
    """

    def __init__(self, volume_index: int) -> None:
        self._base = volume_index << VOLUME_BITS
        self._last = 0
        self._ways: list[Callable[[int], int | None]] = [by_fiemap, by_fibmap]

    def of(self, folder_fd: int, name: bytes) -> int:
        """The place of a regular file in this folder. Never raises OSError: it is only about speed."""
        if self._ways:
            try:
                fd = open_at(folder_fd, name, _OPEN)
            except OSError:
                return self._base + self._last
            try:
                self._last = min(self._ask(fd) or self._last, (1 << VOLUME_BITS) - 1)
            finally:
                os.close(fd)
        return self._base + self._last

    def _ask(self, fd: int) -> int | None:
        while self._ways:
            try:
                return self._ways[0](fd)
            except OSError as error:
                if error.errno not in _NOT_HERE:
                    return None
                del self._ways[0]
        return None
