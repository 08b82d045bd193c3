"""Which of the announced items a drive holds, and what comes near to those it does not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from ingestd.content.walk import Found, Kind
from ingestd.core.found import ItemFact, Presence
from ingestd.core.job import Item
from ingestd.core.names import folded, located

NEAR_MAX = 10
_UNSEEN = (Kind.UNLISTABLE, Kind.OTHER_DEVICE)


IsThere = Callable[[str, Found, bytes], bool]


def _nowhere(volume: str, found: Found, name: bytes) -> bool:
    del volume, found, name
    return False


@dataclass(slots=True)
class _Track:
    """What has been seen of one item so far."""

    item: Item
    name: bytes
    volume: str | None = None
    called: bytes | None = None
    """What it is called there, where that is not quite the announced name."""
    path: bytes = b""
    """Where it was found; its first place counts."""
    size_bytes: int | None = None
    copies: list[str] = field(default_factory=list)
    """Where else it lies, in roots."""
    wrong_kind: list[tuple[str, str]] = field(default_factory=list)
    """Volume and printable path of something else of exactly its name, in roots."""
    near: list[str] = field(default_factory=list)

    def fact(self) -> ItemFact:
        if self.volume is not None:
            return self._fact(
                Presence.FOUND, self.volume, [*self.copies, *(self.near if self.called else ())]
            )
        if self.wrong_kind:
            volume, path = self.wrong_kind[0]
            return self._fact(Presence.NOT_THAT_KIND, volume, [path, *self.near])
        return self._fact(Presence.ELSEWHERE if self.near else Presence.MISSING, None, self.near)

    def _fact(self, presence: Presence, volume: str | None, near: Sequence[str]) -> ItemFact:
        return ItemFact(
            item=self.item,
            presence=presence,
            volume=volume,
            size_bytes=self.size_bytes,
            near=tuple(near[:NEAR_MAX]),
            called=None if self.called is None else self.called.decode("utf-8", "surrogateescape"),
        )


class Announced:
    """The items of a job, compared with what the walk of each volume's root brings to light."""

    def __init__(self, items: Sequence[Item], is_there: IsThere = _nowhere) -> None:
        """`is_there`: whether something else than this entry of a volume's root has this name in a root of
        the drive."""
        self._is_there = is_there
        self._tracks = [_Track(item, _path(item)) for item in items]
        self._by_name = {track.name: track for track in self._tracks}
        self._by_fold: dict[str, list[_Track]] = {}
        for track in self._tracks:
            self._by_fold.setdefault(folded(track.name), []).append(track)

    @property
    def anything(self) -> bool:
        """Whether there are items at all; without, everything is to be loaded."""
        return bool(self._tracks)

    def claim(self, volume: str, found: Found, name: bytes) -> Item | None:
        """The item that this entry of a root, of this name, is; None when it is none, or lay in another
        volume before.

        What cannot be looked at counts as the item: that it cannot be read is another fact. A name in a root
        that differs in case or normalisation counts where nothing on the drive has the announced one.
        """
        track = self._by_name.get(name) or self._nearly(volume, found, name)
        if track is None:
            return None
        place = located(volume, found.path)
        if found.kind not in (track.item.kind, *_UNSEEN):
            track.wrong_kind.append((volume, place))
            return None
        if track.volume is not None:
            track.copies.append(place)
            return None
        track.volume, track.path = volume, found.path
        track.called = None if track.name == name else name
        track.size_bytes = None if found.kind in _UNSEEN else 0
        return track.item

    def _nearly(self, volume: str, found: Found, name: bytes) -> _Track | None:
        tracks = self._by_fold.get(folded(name), ()) if name == found.path and self._by_fold else ()
        if (
            len(tracks) != 1
            or tracks[0].volume is not None
            or found.kind not in (tracks[0].item.kind, *_UNSEEN)
        ):
            return None
        return None if self._is_there(volume, found, tracks[0].name) else tracks[0]

    def count(self, item: Item, size_bytes: int) -> None:
        """Add a file's size to the item that it is, or lies in."""
        track = self._by_name[_path(item)]
        track.size_bytes = (track.size_bytes or 0) + size_bytes

    def note_near(self, volume: str, path: bytes) -> None:
        """Remember an entry anywhere that is called like an item, but for case and normalisation."""
        if not self._by_fold:
            return
        for track in self._by_fold.get(folded(path.rpartition(b"/")[2]), ()):
            if path not in (track.name, track.called) and len(track.near) < NEAR_MAX:
                track.near.append(located(volume, path))

    def checksums(self) -> dict[tuple[str, bytes], bytes]:
        """The announced SHA-256 of the files that were found, by volume and path."""
        return {
            (track.volume, track.path): bytes.fromhex(track.item.sha256)
            for track in self._tracks
            if track.volume is not None and track.item.kind == "file" and track.item.sha256
        }

    def absent(self) -> frozenset[bytes] | None:
        """The names of the items that were not found; None where there are no items."""
        if not self._tracks:
            return None
        return frozenset(track.name for track in self._tracks if track.volume is None)

    def facts(self) -> tuple[ItemFact, ...]:
        return tuple(track.fact() for track in self._tracks)


def _path(item: Item) -> bytes:
    return item.name.encode("utf-8", "surrogateescape")
