"""Looks into the files of a drive, one after the other: how secret is each?

Pieces of one file are looked into as that file. Where a job has several drives, a file may go on, or have
begun, on another of them: its first pieces are looked into as far as they go, and of later ones is said what
they look like pieces of.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import replace
from functools import partial
from itertools import islice
from typing import Any

from ingestd.content import joined, sniff
from ingestd.content.faults import blame_station
from ingestd.content.randomness import RANDOM_BYTES_MIN
from ingestd.content.sample import WINDOW_BYTES_MAX, WINDOWS_MAX, Allowance, Verdict
from ingestd.content.walk import Found
from ingestd.core.found import Secrecy, SecrecyFact
from ingestd.core.names import located
from ingestd.ports import CancelToken, Volume

WINDOWS_TOGETHER = 128
"""Samples of 1 MiB that are taken of all files together, some four seconds' worth; of each the first
and the last at least, and the shorter ones the more files there are."""
WINDOW_BYTES_MIN = 64 << 10
CLOSER_WINDOWS_MAX = 2000
"""Samples of pieces taken together, where one of them does not look like one."""
BEGUN_MAX = 100
BEGUN_BYTES_MAX = 255
"""Files that are begun here and go on elsewhere: how many are told of, and with names of what length."""

_EVEN = frozenset({"age", "openssl enc", "openpgp"})
"""Formats of which nothing but the beginning may look other than random."""

_Piece = tuple[Volume, Found]
_Look = Callable[..., Verdict]


def effort(files: int) -> tuple[int, int]:
    """How many samples to take of each of so many files, and of how many bytes."""
    windows = max(2, min(WINDOWS_MAX, WINDOWS_TOGETHER // max(1, files)))
    length = WINDOWS_TOGETHER * WINDOW_BYTES_MAX // (windows * max(1, files))
    return windows, max(WINDOW_BYTES_MIN, min(WINDOW_BYTES_MAX, length))


class OtherDrives:
    """What may lie on the job's other drives: of the pieces of files, those that the notice has and this
    drive has not; without announced items, any."""

    def __init__(self, absent: Iterable[bytes] | None) -> None:
        """`absent`: the announced items that are not on this drive; None where nothing is announced."""
        self._absent = None if absent is None else frozenset(absent)
        self._begin_here = {name for path in self._absent or () for name in joined.beginnings(path)}

    def go_on(self, first: bytes) -> bool:
        """Whether later pieces of the file that begins with this one may lie there."""
        return joined.begins(first) and (self._absent is None or first in self._begin_here)

    def begin(self, path: bytes, begun: Iterable[bytes]) -> tuple[bytes, ...]:
        """The names that the first piece may have of the file that this is a later piece of, where it or
        pieces before this one may lie there. `begun`: first pieces of files that go on there."""
        names = joined.beginnings(path)
        here = tuple(name for name in names if name in begun)
        if here:
            return here
        if self._absent is None:
            return () if joined.begins(path) else names
        return tuple(name for name in names if name in self._absent)


class Looks:
    """One look into each of the files that are chosen."""

    def __init__(
        self, cancel: CancelToken, require_drive: Callable[[], None], others: OtherDrives | None
    ) -> None:
        """`require_drive` raises DriveGoneError. `others`: of the job's other drives, if it has several."""
        self._cancel = cancel
        self._require_drive = require_drive
        self._others = others
        self._begun: list[bytes] = []
        self._look: _Look = partial(sniff.look_through, cancel=cancel)

    @property
    def begun(self) -> tuple[str, ...]:
        """First pieces, encrypted by their structure, of files that may go on on other drives."""
        names = (path.decode("utf-8", "ignore") for path in self._begun)
        same = (
            name
            for name, path in zip(names, self._begun, strict=True)
            if len(path) <= BEGUN_BYTES_MAX and name.encode() == path
        )
        return tuple(islice(same, BEGUN_MAX))

    def take(self, chosen: Sequence[_Piece], further: Iterable[_Piece]) -> tuple[SecrecyFact, ...]:
        """How secret the chosen files are; those that cannot be read are left out. Of `further` ones those
        count that are pieces of one file with them. Raises Cancelled and DriveGoneError."""
        by_themselves = {(volume.facts.name, found.path) for volume, found in chosen}
        together = [
            pieces
            for pieces in joined.wholes([*chosen, *further])
            if any((volume.facts.name, found.path) in by_themselves for volume, found in pieces)
        ]
        if self._others is not None:
            together.sort(key=lambda pieces: not joined.begins(pieces[0][1].path))
        windows, window_bytes = effort(len(chosen) + sum(len(pieces) > 1 for pieces in together))
        self._look = partial(
            sniff.look_through,
            cancel=self._cancel,
            windows_max=windows,
            window_bytes_max=window_bytes,
            allowance=Allowance(),
        )
        return tuple(fact for pieces in together for fact in self._into_all(pieces, by_themselves))

    def _into_all(
        self, pieces: Sequence[_Piece], by_themselves: Container[tuple[str, bytes]]
    ) -> Iterator[SecrecyFact]:
        """What there is to say of a file; of pieces of one what there is to say of it, where that is proved,
        and of those that do not look like pieces of it."""
        whole = self._into_whole(pieces)
        proven = whole is not None and whole.secrecy is Secrecy.PROVEN
        if not proven and len({volume.facts.name for volume, _ in pieces}) > 1:
            for some in joined.by_volume(pieces):
                yield from self._into_all(some, by_themselves)
            return
        if proven and whole is not None:
            yield whole
            if len(pieces) == 1:
                return
        odd: list[SecrecyFact] = []
        for number, piece in enumerate(pieces):
            if (piece[0].facts.name, piece[1].path) not in by_themselves:
                continue
            fact = self._into([piece])
            looks_random = fact is not None and fact.secrecy in (Secrecy.RANDOM_LIKE, Secrecy.PROVEN)
            fits = number == 0 or piece[1].size_bytes < RANDOM_BYTES_MIN or looks_random
            if fact is not None and not (proven and fits):
                odd.append(self._as_later_piece(fact, piece[1]))
        even = whole is not None and whole.kind.partition(", in ")[0] in _EVEN
        if proven and odd and not even and all(fact.secrecy is Secrecy.UNKNOWN for fact in odd):
            # A directory, what was never written, base64: it may be as it should be where it lies.
            windows = min(max(WINDOWS_MAX, 2 * len(pieces)), CLOSER_WINDOWS_MAX)
            closer = self._into(pieces, windows_max=windows, ended=not self._goes_on(pieces))
            odd = [] if closer is not None and closer.secrecy is Secrecy.PROVEN else odd
        yield from odd

    def _into_whole(self, pieces: Sequence[_Piece]) -> SecrecyFact | None:
        """What pieces come to together, be it but the beginning of a file; None for a single file that does
        not go on."""
        goes_on = self._goes_on(pieces)
        if len(pieces) == 1 and not goes_on:
            return None
        fact = self._into(pieces)
        if goes_on and fact is not None:
            if fact.secrecy is not Secrecy.PROVEN:
                fact = self._into(pieces, ended=False)
            if fact is not None and fact.secrecy is Secrecy.PROVEN:
                self._begun.append(pieces[0][1].path)
        return fact

    def _goes_on(self, pieces: Sequence[_Piece]) -> bool:
        """Whether later pieces of a file may lie on other drives."""
        return self._others is not None and self._others.go_on(pieces[0][1].path)

    def _as_later_piece(self, fact: SecrecyFact, found: Found) -> SecrecyFact:
        """The fact, with the file that it may be a piece of, if it looks like one of an encrypted file."""
        small = found.size_bytes < RANDOM_BYTES_MIN and fact.secrecy is Secrecy.UNKNOWN
        if self._others is None or not (
            fact.secrecy is Secrecy.RANDOM_LIKE or fact.kind == sniff.ENCODED or small
        ):
            return fact
        names = self._others.begin(found.path, self._begun)
        return replace(fact, piece_of=tuple(name.decode("utf-8", "surrogateescape") for name in names))

    def _into(self, pieces: Sequence[_Piece], **how: Any) -> SecrecyFact | None:
        self._cancel.check()
        volume, found = pieces[0]
        try:
            with closing(joined.Joined(pieces)) as content:
                secrecy, kind = self._look(content.read, content.size_bytes, name=found.path, **how)
        except OSError as error:
            blame_station(error)
            self._require_drive()
            return None
        if len(pieces) > 1:
            kind = f"{kind}, in {len(pieces)} pieces"
        return SecrecyFact(path=located(volume.facts.name, found.path), secrecy=secrecy, kind=kind)
