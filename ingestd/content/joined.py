"""Files that are pieces of one: as `split` and 7z cut archives, their content follows on from file to file.

Only by itself does the first of them have a structure, or none of them, so such pieces are looked into as
the one file that they come to, on whichever volumes of the drive they lie.
"""

from __future__ import annotations

import errno
import os
import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from itertools import accumulate, groupby, pairwise, takewhile

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
_GONE_ON = re.compile(rb"9\d{3}|99\d{4}|z[a-z]{3}")
"""What those look like: the first piece has two characters."""


def is_piece(path: bytes) -> bool:
    """Whether a file may be a piece, by its name."""
    return _NAME.fullmatch(path) is not None


def begins(path: bytes) -> bool:
    """Whether a file may be the first piece of one, by its name."""
    end = _end_of(path)
    return bool(end) and (_number(end) == 0 or (end.isdigit() and _number(end) == 1))


def beginnings(path: bytes) -> tuple[bytes, ...]:
    """The names, one of which the first piece has of what this file is a later piece of; none if it is
    none. Number 1 may follow on number 0, or be the first one."""
    end = _end_of(path)
    if not end or not _number(end):
        return ()
    lengths = [len(end)]
    if _GONE_ON.fullmatch(end):
        lengths = [2, len(end)] if len(end) == 4 and end.isdigit() else [2]
    head = path[: -len(end)]
    if not end.isdigit():
        letter = b"A" if path[-len(end) :].isupper() else b"a"
        return tuple(head + letter * length for length in lengths)
    lowest = (0, 1) if _number(end) > 1 else (0,)
    return tuple(head + b"%0*d" % (length, number) for length in lengths for number in lowest)


def wholes(files: Iterable[_Piece]) -> list[list[_Piece]]:
    """The files, each by itself but for pieces that are numbered from the first on without a gap."""
    sets: dict[tuple[bytes, bool], list[_Piece]] = {}
    order: list[list[_Piece]] = []
    for piece in files:
        named = _NAME.fullmatch(piece[1].path)
        if named is None:
            order.append([piece])
            continue
        key = named[1], named[2].isdigit()
        if key not in sets:
            sets[key] = []
            order.append(sets[key])
        sets[key].append(piece)
    return [whole for pieces in order for whole in _told_apart(pieces)]


def by_volume(pieces: Iterable[_Piece]) -> list[list[_Piece]]:
    """The same of pieces of one name, with those on each volume taken by themselves."""
    volumes: dict[str, list[_Piece]] = {}
    for piece in pieces:
        volumes.setdefault(piece[0].facts.name, []).append(piece)
    return [whole for some in volumes.values() for whole in _in_order(some)]


def _told_apart(pieces: list[_Piece]) -> list[list[_Piece]]:
    """A number that two volumes have is of two files of one name."""
    once = len({found.path for _, found in pieces}) == len(pieces)
    return _in_order(pieces) if once else by_volume(pieces)


def _in_order(pieces: list[_Piece]) -> list[list[_Piece]]:
    if len(pieces) < 2:
        return [pieces]
    ends = {found.path: _end_of(found.path) for _, found in pieces}
    pieces = sorted(pieces, key=lambda piece: (len(ends[piece[1].path]), piece[1].path))
    numbers = [ends[found.path] for _, found in pieces]
    run = 0
    if begins(pieces[0][1].path):
        follow = (_follows(number, before) for before, number in pairwise(numbers))
        run = 1 + sum(1 for _ in takewhile(bool, follow))
    if run == len(pieces):
        return [pieces]
    lengths = [list(some) for _, some in groupby(pieces, lambda piece: len(ends[piece[1].path]))]
    if len(lengths) > 1:
        return [whole for some in lengths for whole in _in_order(some)]
    return [pieces[:run], *([piece] for piece in pieces[run:])] if run else [[piece] for piece in pieces]


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
