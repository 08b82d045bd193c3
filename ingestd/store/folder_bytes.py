"""Bytes into files and back: whole, at a pace, past the page cache."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from collections.abc import Iterator

from ingestd.store.pacing import SLICE_BYTES, Allowance


def write_at(fd: int, offset: int, body: memoryview, allowance: Allowance) -> None:
    """Write all of `body`, in as many calls as the allowance and the file system make it."""
    done = 0
    while done < len(body):
        upto = done + allowance.take(len(body) - done)
        while done < upto:
            done += os.pwrite(fd, body[done:upto], offset + done)


def equals(fd: int, offset: int, body: memoryview) -> bool:
    """Whether the file has these bytes at this place."""
    for done in range(0, len(body), SLICE_BYTES):
        wanted = body[done : done + SLICE_BYTES]
        if os.pread(fd, len(wanted), offset + done) != wanted:
            return False
    return True


def blocks(fd: int, block_bytes: int) -> Iterator[memoryview]:
    """A file's content from its start, each view valid until the next one is asked for.

    It comes from the medium as far as the kernel obliges, and does not stay in the page cache, where it
    would only displace what somebody needs.
    """
    forget(fd)
    block = memoryview(bytearray(block_bytes))
    at = 0
    while got := os.preadv(fd, [block], at):
        yield block[:got].toreadonly()
        forget(fd, at, got)
        at += got


def forget(fd: int, offset: int = 0, length: int = 0) -> None:
    """Ask for clean pages to leave the page cache; a length of 0 means up to the end."""
    with contextlib.suppress(OSError):
        os.posix_fadvise(fd, offset, length, os.POSIX_FADV_DONTNEED)


def holds(folder_fd: int, name: bytes, size_bytes: int, sha256: bytes) -> bool:
    """Whether a regular file of this content has the name: read from the medium, and made to last."""
    # A pipe planted under the name would block for ever without O_NONBLOCK.
    fd = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC, dir_fd=folder_fd)
    try:
        facts = os.fstat(fd)
        if not stat.S_ISREG(facts.st_mode) or facts.st_size != size_bytes:
            return False
        os.fsync(fd)
        digest = hashlib.sha256()
        for block in blocks(fd, SLICE_BYTES):
            digest.update(block)
    finally:
        os.close(fd)
    return digest.digest() == sha256
