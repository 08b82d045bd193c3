"""Checksum lists in a volume's root: what they say of which file.

A list is a regular file whose name `names.is_checksum_list` knows, and its name tells the algorithm of
lines that do not. Its entries are relative to the folder it lies in, the root. A file named `<name>.sha256`
may hold a bare checksum: it is that of `<name>`.
"""

from __future__ import annotations

from collections.abc import Generator
from contextlib import closing
from typing import NamedTuple

from ingestd.content.blocks import BLOCK_BYTES, TooLong, blocks
from ingestd.content.faults import blame_station
from ingestd.core.checksum_lines import list_algorithm, parse_bare, parse_line
from ingestd.core.digests import ALGORITHMS_MAX, SHA256
from ingestd.core.names import plain_path
from ingestd.ports import CancelToken

LIST_BYTES_MAX = 64 << 20
DRIVE_LINES_MAX = 50_000_000
"""So many lines of all lists of a drive are read: minutes of its bay's time, were they written to cost it."""
BAD_LINES_MAX = 100
_LINE_BYTES_MAX = 16 << 10
_BLOCK_BYTES = BLOCK_BYTES
_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


class Entry(NamedTuple):
    path: bytes
    algorithm: str
    digest: bytes


class Algorithms:
    """Those that one drive asks for, at most ALGORITHMS_MAX of them."""

    def __init__(self) -> None:
        self._admitted: set[str] = set()

    def admits(self, algorithm: str) -> bool:
        """Whether digests by it are taken account of; the first ones are."""
        if len(self._admitted) < ALGORITHMS_MAX:
            self._admitted.add(algorithm)
        return algorithm in self._admitted


class Lines:
    """Those that the lists of one drive may still have."""

    def __init__(self) -> None:
        self.left = DRIVE_LINES_MAX


def read_list(
    root_fd: int, name: bytes, cancel: CancelToken, algorithms: Algorithms, lines: Lines
) -> tuple[Generator[Entry, None, None], list[int]]:
    """The entries of a list, read as they are asked for, and the numbers of lines that are none.

    The second grows while the first is read, to at most BAD_LINES_MAX. A line is bad that cannot be
    understood, whose path is absolute or has a '..' part, whose algorithm is one too many, or that lies
    beyond LIST_BYTES_MAX; so are the one at which reading failed and the first that is one too many. Asking
    for entries raises ResourcesExhausted and Cancelled.
    """
    bad: list[int] = []
    return _entries(root_fd, name, cancel, algorithms, lines, bad), bad


def _entries(
    root_fd: int, name: bytes, cancel: CancelToken, algorithms: Algorithms, lines: Lines, bad: list[int]
) -> Generator[Entry, None, None]:
    number = 0
    try:
        for number, line in enumerate(_lines(root_fd, name, cancel), 1):
            if not lines.left:
                _note(bad, number)
                return
            lines.left -= 1
            try:
                entry = _entry(line, name)
            except ValueError:
                _note(bad, number)
                continue
            if entry is not None and algorithms.admits(entry.algorithm):
                yield entry
            elif entry is not None:
                _note(bad, number)
    except OSError as error:
        blame_station(error)
        _note(bad, number + 1)


def _entry(line: bytes, name: bytes) -> Entry | None:
    """What a line says. Raises ValueError for one that says nothing that can be used."""
    if len(line) > _LINE_BYTES_MAX:
        raise ValueError("longer than any path could make it")
    algorithm = list_algorithm(name) or SHA256
    subject, _, ending = name.rpartition(b".")
    if subject and ending.lower() != b"txt" and (bare := parse_bare(line, algorithm)) is not None:
        return Entry(subject, bare[0], bytes.fromhex(bare[1]))
    listed = parse_line(line, algorithm)
    if listed is None:
        return None
    return Entry(plain_path(listed.path), listed.algorithm, bytes.fromhex(listed.digest_hex))


def _lines(root_fd: int, name: bytes, cancel: CancelToken) -> Generator[bytes, None, None]:
    """The lines of a file; one that is too long may come shortened, but still too long."""
    rest = b""
    for block in _blocks(root_fd, name, cancel):
        *lines, rest = (rest + block).split(b"\n")
        yield from lines
        rest = rest[: _LINE_BYTES_MAX + 1]
    if rest:
        yield rest


def _blocks(root_fd: int, name: bytes, cancel: CancelToken) -> Generator[bytes, None, None]:
    content = blocks(root_fd, name, cancel, bytes_max=LIST_BYTES_MAX, block_bytes=_BLOCK_BYTES)
    with closing(content):
        try:
            for number, block in enumerate(content):
                yield block if number else block.removeprefix(_BYTE_ORDER_MARK)
        except TooLong:
            yield b"\n(from here on the list is not read)"


def _note(bad: list[int], number: int) -> None:
    if len(bad) < BAD_LINES_MAX:
        bad.append(number)
