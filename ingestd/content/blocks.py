"""A file on a drive that is read for what it says, piece by piece."""

from __future__ import annotations

import errno
import os
from collections.abc import Generator

from ingestd.files import is_regular, open_beneath
from ingestd.ports import CancelToken

BLOCK_BYTES = 1 << 20


class TooLong(Exception):
    """The file goes on behind what is read of it."""


def blocks(
    root_fd: int, path: bytes, cancel: CancelToken, *, bytes_max: int, block_bytes: int = BLOCK_BYTES
) -> Generator[bytes, None, None]:
    """The content of a regular file below a root, up to `bytes_max`. Raises OSError, Cancelled, and TooLong
    behind the last block of a file that has more."""
    fd = open_beneath(root_fd, path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        if not is_regular(fd):
            raise OSError(errno.EINVAL, "not a regular file")
        for at in range(0, bytes_max, block_bytes):
            cancel.check()
            wanted = min(block_bytes, bytes_max - at)
            block = os.pread(fd, wanted, at)
            cancel.beat()
            yield block
            if len(block) < wanted:
                break
        else:
            if os.pread(fd, 1, bytes_max):
                raise TooLong
    finally:
        os.close(fd)
