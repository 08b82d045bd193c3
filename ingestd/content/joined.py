"""Files that are pieces of one: as `split` and 7z cut archives, their content follows on from file to file.

Only by itself does the first of them have a structure, or none of them, so such pieces are looked into as
the one file that they come to.
"""

from __future__ import annotations

import errno
import os
import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate, groupby, pairwise

from ingestd.content.parts import FORMATS
from ingestd.content.walk import Found
from ingestd.files import is_regular, open_beneath
from ingestd.ports import Volume

_Piece = tuple[Volume, Found]
_NAME = re.compile(
    rb"(.*\.(?:%s)(?:\.|[-_]?))(\d{2,4}|99\d{4}|[a-z]{2}|a[a-z]{2}|z[a-z]{3})" % FORMATS,
    re.IGNORECASE | re.DOTALL,
)
_LONGER = {b"89": b"9000", b"9899": b"990000", b"yz": b"zaaa"}
"""Where `split` has no more names of one length, and goes on with longer ones."""


def is_piece(path: bytes) -> bool:
    """Whether a file may be a piece, by its name."""
    return _NAME.fullmatch(path) is not None


def wholes(files: Iterable[_Piece]) -> list[list[_Piece]]:
    """The files, each by itself but for pieces that are numbered from the first on without a gap."""
    sets: dict[tuple[str, bytes, bool], list[_Piece]] = {}
    order: list[list[_Piece]] = []
    for piece in files:
        volume, found = piece
        named = _NAME.fullmatch(found.path)
        if named is None:
            order.append([piece])
            continue
        key = volume.facts.name, named[1], named[2].isdigit()
        if key not in sets:
            sets[key] = []
            order.append(sets[key])
        sets[key].append(piece)
    return [whole for pieces in order for whole in _in_order(pieces)]


def _in_order(pieces: list[_Piece]) -> list[list[_Piece]]:
    if len(pieces) < 2:
        return [pieces]
    ends = {found.path: _end_of(found.path) for _, found in pieces}
    pieces = sorted(pieces, key=lambda piece: (len(ends[piece[1].path]), piece[1].path))
    numbers = [ends[found.path] for _, found in pieces]
    first = _number(numbers[0]) == 0 or (numbers[0].isdigit() and _number(numbers[0]) == 1)
    if first and all(_follows(number, before) for before, number in pairwise(numbers)):
        return [pieces]
    lengths = [list(some) for _, some in groupby(pieces, lambda piece: len(ends[piece[1].path]))]
    if len(lengths) > 1:
        return [whole for some in lengths for whole in _in_order(some)]
    return [[piece] for piece in pieces]


def _end_of(path: bytes) -> bytes:
    named = _NAME.fullmatch(path)
    return named[2].lower() if named else b""


def _follows(end: bytes, before: bytes) -> bool:
    if len(end) != len(before):
        return _LONGER.get(before) == end
    return _number(end) == _number(before) + 1


def _number(end: bytes) -> int:
    value = 0
    for character in end:
        value = value * 10 + character - ord("0") if end.isdigit() else value * 26 + character - ord("a")
    return value


class Joined:
    """The content of pieces, one after the other. Holds one of them open at a time."""

    def __init__(self, pieces: Sequence[_Piece]) -> None:
        self._pieces = pieces
        self._ends = list(accumulate(found.size_bytes for _, found in pieces))
        self._open: tuple[int, int] | None = None
        """Which piece is open, and its descriptor."""

    @property
    def size_bytes(self) -> int:
        return self._ends[-1]

    def read(self, length: int, offset: int) -> bytes:
        """Up to `length` bytes from `offset` on, as many as that piece has. Raises OSError."""
        number = bisect_right(self._ends, offset)
        if number == len(self._pieces):
            return b""
        begin = self._ends[number - 1] if number else 0
        return os.pread(self._descriptor(number), min(length, self._ends[number] - offset), offset - begin)

    def _descriptor(self, number: int) -> int:
        if self._open is not None and self._open[0] == number:
            return self._open[1]
        self.close()
        volume, found = self._pieces[number]
        fd = open_beneath(volume.root_fd, found.path, os.O_RDONLY | os.O_NONBLOCK)
        self._open = number, fd
        if not is_regular(fd):
            raise OSError(errno.EINVAL, "not a regular file")
        return fd

    def close(self) -> None:
        if self._open is not None:
            os.close(self._open[1])
            self._open = None
