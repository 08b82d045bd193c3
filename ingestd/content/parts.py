"""Archives in numbered parts, as programs split them: is one missing between others?

`backup.7z.001`, `backup.z01` with `backup.zip`, `backup.part1.rar`, `backup.r00` with `backup.rar`, and
what `split` makes: `backup.tar.gpg.aa`, `backup.tar.gpg.00`. That the last part is missing cannot be told by
names, but for the first two of the old forms, whose last or first part has another name.

Parts that lie on several volumes of a drive are taken together, but where two volumes have one of the same
name: there each has its own.

Bounds: SETS_MAX sets of parts, with a bit for each number up to NUMBER_MAX: 6 MB beside their names.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum, auto
from functools import partial

from ingestd.content.selection import Tally
from ingestd.core.found import Samples
from ingestd.core.names import located
from ingestd.files import open_beneath
from ingestd.ports import Volume

SETS_MAX = 5000
"""Sets of parts on one drive that are looked at; of others nothing is said."""
NUMBER_MAX = 9999
_TAIL_BYTES_MAX = 12
_KINDS_MAX = 4096
_STRAY_MAX = 3
"""Numbers that lack, for each that is there, before they count as no numbers of parts."""

FORMATS = (
    rb"7z|zip|rar|tar|tgz|tbz2?|txz|gz|bz2|xz|zst|lz4|gpg|pgp|asc|age|enc|aes|luks|p7m|cms|img|iso|vhdx?"
    rb"|qcow2|dd|raw|bin|dmg"
)
_FORMAT = re.compile(rb"(?:%s)" % FORMATS, re.IGNORECASE)
_GLUED = re.compile(rb"((?:%s)[-_]?)(\d{2,4}|[a-z]{2})" % FORMATS, re.IGNORECASE)
_DIGITS = re.compile(rb"\d{2,4}|99\d{4}")
_LETTERS = re.compile(rb"[a-z]{2}|a[a-z]{2}|z[a-z]{3}")
_OLD = re.compile(rb"([zr])(\d{2,3})", re.IGNORECASE)
_PART = re.compile(rb"(.*\.(?:part|vol))(\d{1,4})", re.IGNORECASE | re.DOTALL)
_NO_LETTERS = frozenset(
    b"gz xz lz bz dd sh md py pl rb js ts go rs so db id ok up bk cc hh mm ps ai asc age aes".split()
)
"""Endings that mean something: no letters of `split`, unless those before and after them are there."""


class _Kind(Enum):
    """What the ending of a name may be."""

    NONE = auto()
    FORMAT = auto()
    """Of a format; the number of a part may stand before it."""
    MARKED = auto()
    """A number behind a mark: `z01`, `gpgaa`."""
    NUMBER = auto()
    """A number, if a format stands before it."""


_Key = tuple[int, bytes, bytes]
"""Index of the volume; what stands before a part's number, and behind it."""


@dataclass(slots=True)
class _Set:
    first: int
    """The number that parts of this form begin with, or one more."""
    digits: int
    letters: bool = False
    count: int = 0
    highest: int = -1
    lowest: int = NUMBER_MAX + 1
    seen: bytearray = field(default_factory=bytearray)

    def add(self, number: int) -> None:
        place, bit = divmod(number, 8)
        if place >= len(self.seen):
            self.seen.extend(bytes(place + 1 - len(self.seen)))
        self.count += not self.seen[place] >> bit & 1
        self.seen[place] |= 1 << bit
        self.highest, self.lowest = max(self.highest, number), min(self.lowest, number)

    def gaps(self) -> Iterator[int]:
        """The numbers that lack."""
        first = min(self.first, self.lowest)
        if self.highest - first + 1 - self.count > self.count * _STRAY_MAX:
            return
        for number in range(first, self.highest):
            if not self.seen[number // 8] >> number % 8 & 1:
                yield number

    def name(self, number: int) -> bytes:
        if not self.letters:
            return b"%0*d" % (self.digits, number)
        text = b""
        for _ in range(self.digits):
            number, letter = divmod(number, 26)
            text = bytes([letter + ord("a")]) + text
        return text


def _as_one(sets: Sequence[_Set]) -> _Set | None:
    """The numbers of all of them together; None where one is there twice, or they are of two forms."""
    all_bits = 0
    for one in sets:
        bits = int.from_bytes(one.seen, "little")
        if all_bits & bits or one.letters != sets[0].letters:
            return None
        all_bits |= bits
    return replace(
        sets[0],
        digits=min(one.digits for one in sets),
        count=sum(one.count for one in sets),
        highest=max(one.highest for one in sets),
        lowest=min(one.lowest for one in sets),
        seen=bytearray(all_bits.to_bytes(NUMBER_MAX // 8 + 1, "little")),
    )


class Parts:
    """Takes in the names of files, in whatever order, and tells which parts lack."""

    def __init__(self) -> None:
        self._sets: dict[_Key, _Set] = {}
        self._kinds: dict[bytes, _Kind] = {}
        """Of endings that were seen: most names are done with by theirs."""

    def note(self, volume: int, path: bytes) -> bool:
        """One more file that is to be loaded, of the volume of this index; whether its name may have a
        number."""
        dot = path.rfind(b".")
        tail = path[dot + 1 :]
        kind = self._kinds.get(tail)
        if kind is None:
            kind = self._learnt(tail)
        if kind is _Kind.NONE or (kind is _Kind.FORMAT and not path[dot - 1 : dot].isdigit()) or dot < 0:
            return tail in _NO_LETTERS
        head = path[: dot + 1]
        if kind is _Kind.FORMAT:
            if found := _PART.fullmatch(path[:dot]):
                self._add((volume, found[1], path[dot:]), found[2], first=1)
                return True
        elif kind is _Kind.NUMBER:
            if _FORMAT.fullmatch(head[:-1].rpartition(b"/")[2].rpartition(b".")[2]):
                self._add((volume, head, b""), tail, first=1)
                return True
        elif found := _OLD.fullmatch(tail) or _GLUED.fullmatch(tail):
            self._add((volume, head + found[1], b""), found[2], first=found[1] not in b"rR")
            return True
        return False

    def may_be_among(self, paths: Iterable[bytes]) -> bool:
        """Whether one of these may have a number; quicker than to note each, and need not be done of those
        of which it is denied."""
        tails = {path[path.rfind(b".") + 1 :] for path in paths}
        return any((self._kinds.get(tail) or self._learnt(tail)) is not _Kind.NONE for tail in tails) or not (
            tails.isdisjoint(_NO_LETTERS)
        )

    def _learnt(self, tail: bytes) -> _Kind:
        if len(tail) > _TAIL_BYTES_MAX or b"/" in tail:
            return _Kind.NONE
        kind = _kind_of(tail)
        if len(self._kinds) < _KINDS_MAX:
            self._kinds[tail] = kind
        return kind

    def _add(self, key: _Key, number: bytes, *, first: int) -> None:
        letters = not number.isdigit()
        if len(number) > 4 - letters:
            return  # Of the longer names that `split` goes on with, too many numbers lack.
        known = self._sets.get(key)
        if known is None:
            if len(self._sets) >= SETS_MAX:
                return
            known = self._sets[key] = _Set(0 if letters else first, len(number), letters)
        if letters == known.letters and (not letters or len(number) == known.digits):
            value = int(number) if not letters else 0
            for letter in number.lower() if letters else b"":
                value = value * 26 + letter - ord("a")
            if value <= NUMBER_MAX:
                known.add(value)
                known.digits = min(known.digits, len(number))

    def missing(self, volumes: Sequence[Volume]) -> Samples:
        """The parts that lack, each set's first ones as examples."""
        lacking = Tally()
        for (index, head, behind), known in self._together():
            volume = volumes[index]
            other = _other_end(head)
            if other is not None and not any(_is_on_one(volumes, name) for name in other):
                if known.count < 2:
                    continue  # One file of that name may be anything.
                lacking.add(partial(located, volume.facts.name, other[0]))
            for number in known.gaps():
                name = known.name(number)
                if not (name in _NO_LETTERS and _is_on_one(volumes, head + name + behind)):
                    lacking.add(partial(located, volume.facts.name, head + name + behind))
        return lacking.samples()

    def _together(self) -> Iterable[tuple[_Key, _Set]]:
        """The sets, those of one name on several volumes as one where no number is there twice. By the first
        volume that has some of it."""
        names: dict[tuple[bytes, bytes], list[tuple[_Key, _Set]]] = {}
        for key, known in self._sets.items():
            names.setdefault(key[1:], []).append((key, known))
        for same in names.values():
            whole = _as_one([one for _, one in same])
            if whole is None:
                yield from same
            else:
                yield same[0][0], whole


def _kind_of(tail: bytes) -> _Kind:
    if _FORMAT.fullmatch(tail):
        return _Kind.FORMAT
    if _OLD.fullmatch(tail) or _GLUED.fullmatch(tail):
        return _Kind.MARKED
    if tail not in _NO_LETTERS and (_DIGITS.fullmatch(tail) or _LETTERS.fullmatch(tail)):
        return _Kind.NUMBER
    return _Kind.NONE


def _other_end(head: bytes) -> tuple[bytes, ...] | None:
    """The names that the one part without a number may have, in the forms that have one."""
    stem, _, mark = head.rpartition(b".")
    endings = {b"z": (b".zip", b".ZIP"), b"r": (b".rar", b".RAR")}.get(mark.lower())
    if endings is None:
        return None
    small, capital = (stem + ending for ending in endings)
    return (capital, small) if mark.isupper() else (small, capital)


def _is_on_one(volumes: Sequence[Volume], path: bytes) -> bool:
    readable = (volume for volume in volumes if volume.facts.problem is None)
    return any(_is_there(volume, path) for volume in readable)


def _is_there(volume: Volume, path: bytes) -> bool:
    try:
        os.close(open_beneath(volume.root_fd, path, os.O_RDONLY | os.O_NONBLOCK))
    except FileNotFoundError:
        return False
    except OSError:
        return True  # There is something, whatever it is.
    return True
