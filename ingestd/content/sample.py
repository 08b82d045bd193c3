"""A file's bytes wherever they are wanted, and the verdict that a look at them ends in."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from ingestd.core.model import Secrecy
from ingestd.ports import CancelToken

Verdict = tuple[Secrecy, str]
"""How secret a file's content is, and the recognised format or why it cannot be told."""

READ_BYTES_MAX = 1 << 20

WINDOWS_MAX = 16
"""Samples taken of one file at most."""


class Content(Protocol):
    """Something that can be read at any offset. `size_bytes` is None where it is not known."""

    @property
    def size_bytes(self) -> int | None: ...

    @property
    def windows_max(self) -> int:
        """How many samples may be taken of it; each costs some 30 ms."""

    def read(self, offset: int, length: int) -> bytes:
        """The bytes there; fewer than `length` only at the end, none beyond it."""


@dataclass(frozen=True, slots=True)
class FileContent:
    """An open file. Reading raises OSError as the system does, and Cancelled."""

    fd: int
    size_bytes: int
    cancel: CancelToken
    windows_max: int = WINDOWS_MAX

    def read(self, offset: int, length: int) -> bytes:
        blocks: list[bytes] = []
        wanted = min(length, max(0, self.size_bytes - offset))
        while wanted > 0:
            self.cancel.check()
            block = os.pread(self.fd, min(wanted, READ_BYTES_MAX), offset)
            self.cancel.beat()
            if not block:
                break
            blocks.append(block)
            offset += len(block)
            wanted -= len(block)
        return b"".join(blocks)


@dataclass(frozen=True, slots=True)
class HeadContent:
    """The first bytes of something, `size_bytes` long as a whole where that is known."""

    head: bytes
    size_bytes: int | None = None
    windows_max: int = WINDOWS_MAX

    def read(self, offset: int, length: int) -> bytes:
        return self.head[offset : offset + length]


@dataclass(frozen=True, slots=True)
class Structure:
    """What the beginning of a file claims to be, down to where its payload begins."""

    kind: str
    payload_at: int
    encrypted: bool = True
    weak: bool = False
    """Whether the structure is so small that it proves nothing without the payload's statistics."""
    framing: bytes = b""
    """Byte values that stand between parts of the payload more often than chance has it."""
    refine: Callable[[bytes], bytes] | None = None
    """Takes from a block what is not payload."""
