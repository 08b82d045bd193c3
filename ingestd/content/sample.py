"""A file's bytes wherever they are wanted, and the verdict that a look at them ends in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from ingestd.core.found import Secrecy
from ingestd.ports import CancelToken

Verdict = tuple[Secrecy, str]
"""How secret a file's content is, and the recognised format or why it cannot be told."""

READ_BYTES_MAX = 1 << 20

WINDOWS_MAX = 16
"""Samples taken of one file at most."""

STRUCTURE_BYTES_MAX = 16 << 20
"""What is parsed of structures, of all files of a drive together: some two seconds' worth. What takes
longer to parse than a directory of a ZIP counts as more bytes than it has."""


WINDOW_BYTES_MAX = 1 << 20
"""Length of a sample at most."""


class Spent(Exception):
    """What may be parsed of structures has been."""


@dataclass(slots=True)
class Allowance:
    """How many bytes of structures may still be parsed. A number of bytes, not a time, so that two looks at
    a drive come to the same."""

    left: int = STRUCTURE_BYTES_MAX

    def spend(self, length: int) -> None:
        self.left -= length
        if self.left < 0:
            raise Spent


class Content(Protocol):
    """Something that can be read at any offset. `size_bytes` is None where it is not known."""

    @property
    def size_bytes(self) -> int | None: ...

    @property
    def ended(self) -> bool:
        """Whether it ends with its last byte here. The first pieces of a file do not."""

    @property
    def windows_max(self) -> int:
        """How many samples may be taken of it."""

    @property
    def window_bytes_max(self) -> int:
        """How long each may be; a MiB costs some 15 ms."""

    def read(self, offset: int, length: int) -> bytes:
        """The bytes there; fewer than `length` only at the end, none beyond it."""

    def spend(self, length: int) -> None:
        """Said often by whatever parses a structure that may be long: so many bytes of it more. Raises
        Spent, and Cancelled."""


@dataclass(frozen=True, slots=True)
class FileContent:
    """A file, by what reads up to so many bytes of it from an offset on, such as `os.pread`. Reading raises
    OSError as the system does, and Cancelled."""

    source: Callable[[int, int], bytes]
    size_bytes: int
    cancel: CancelToken
    windows_max: int = WINDOWS_MAX
    window_bytes_max: int = WINDOW_BYTES_MAX
    allowance: Allowance = field(default_factory=Allowance)
    ended: bool = True

    def spend(self, length: int) -> None:
        self.cancel.check()
        self.cancel.beat()
        self.allowance.spend(length)

    def read(self, offset: int, length: int) -> bytes:
        blocks: list[bytes] = []
        wanted = min(length, max(0, self.size_bytes - offset))
        while wanted > 0:
            self.cancel.check()
            block = self.source(min(wanted, READ_BYTES_MAX), offset)
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
    window_bytes_max: int = WINDOW_BYTES_MAX

    @property
    def ended(self) -> bool:
        return self.size_bytes is not None

    def read(self, offset: int, length: int) -> bytes:
        return self.head[offset : offset + length]

    def spend(self, length: int) -> None:
        """Of a head there is never much."""


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
    gap_at: int | None = None
    """Where there is room before the payload: from here on it holds keys, or what chance left there, or
    nothing, and all of it looks random or is blank."""
    keys: bytes = b""
    """What the header says beside its own form; random, for the most part."""
    keys_unevenness_max: float = 1.5
