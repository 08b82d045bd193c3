"""Everything below a folder, depth first, whatever the names, the depth and the number of files.

The walk goes from descriptor to descriptor, so no path is ever resolved: it follows no link, leaves
the file system only to say that it does not enter another, and works where a path is longer than the
system could take. Nothing but folders is opened, and files only by who is asked for their places.

Bounds: one descriptor for each level, and a second for a level whose folder is longer than a chunk,
so at most 2 * (DEPTH_MAX + 1); at most HELD_MAX + DEPTH_MAX * CHUNK_MIN names in memory (98,304, of
255 bytes each at the worst).
"""

from __future__ import annotations

import contextlib
import errno
import itertools
import os
import stat
import sys
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from ingestd.content.faults import blame_station
from ingestd.files import open_at, stat_at
from ingestd.ports import CancelToken

DEPTH_MAX = 256
"""Parts of the longest path that is carried."""
PATH_BYTES_MAX = 4096
HELD_MAX = 32_768
CHUNK_MIN = 256
PULSE_ENTRIES = 500

_ENCODING, _ERRORS = sys.getfilesystemencoding(), sys.getfilesystemencodeerrors()
"""As `os.fsencode` has them, which takes three times as long to look them up."""

_OPEN_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


class Kind(StrEnum):
    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    SPECIAL = "special"
    """FIFO, socket or device node."""
    UNLISTABLE = "unlistable"
    """A folder that cannot be read, or not to its end; or an entry that cannot be looked at."""
    OUT_OF_BOUNDS = "out-of-bounds"
    """Too deep, or its path is too long. Not descended into."""
    OTHER_DEVICE = "other-device"
    """On another file system. Not descended into."""


class Found(NamedTuple):
    """One entry, its path relative to where the walk began; b"" is that folder itself. A tuple, since
    there may be hundreds of thousands, and it is made faster than other values."""

    path: bytes
    kind: Kind
    size_bytes: int = 0
    """Of a regular file; else 0."""
    mtime_ns: int = 0
    inode: int = 0
    regular: bool = False
    """Whether it is a regular file, also where its kind says that it is out of bounds."""
    error: int = 0
    """Number of the system's error, where there is one."""
    place: int = 0
    """Of a regular file on the medium, as `place_of` told it."""


PlaceOf = Callable[[int, bytes], int]
"""The place on the medium of the file of this name in the folder of this descriptor."""


def no_place(_folder_fd: int, _name: bytes) -> int:
    return 0


def walk(root_fd: int, *, cancel: CancelToken, place_of: PlaceOf = no_place) -> Generator[Found, None, None]:
    """All that lies below the folder `root_fd`, each entry once; the folder itself is not reported.

    Within a folder come first its entries that are not folders, then each subfolder with all below
    it, both by inode number, in chunks of up to HELD_MAX entries: near to how they lie on the medium,
    and the same again for an unchanged drive. A folder whose listing breaks off has been reported as
    a folder before and is then reported as unlistable; the walk goes on. An entry that vanishes on
    the way is passed over, one that stays listed without being found is unlistable.

    Raises ResourcesExhausted when the station is out of descriptors or memory, and Cancelled. Whoever
    stops early closes the generator, and with it the descriptors.
    """
    with contextlib.closing(_Walker(root_fd, cancel, place_of)) as walker:
        yield from walker.run()


@dataclass(slots=True)
class _Level:
    """A folder on the way from the root to where the walk is."""

    path: bytes
    depth: int
    inode: int
    fd: int
    listing: os._ScandirIterator[str] | None = None
    """What of it has not been taken in; None when all has."""
    folders: list[bytes] = field(default_factory=list)
    """Names of subfolders to enter, the next one last."""

    def below(self, name: bytes) -> bytes:
        return b"%s/%s" % (self.path, name) if self.path else name

    def close_listing(self) -> None:
        if self.listing is not None:
            self.listing.close()
            self.listing = None

    def close(self) -> None:
        self.close_listing()
        os.close(self.fd)


class _Walker:
    def __init__(self, root_fd: int, cancel: CancelToken, place_of: PlaceOf) -> None:
        self._cancel = cancel
        self._place_of = place_of
        self._root_fd = root_fd
        self._device = os.fstat(root_fd).st_dev
        self._levels: list[_Level] = []
        self._held = 0
        self._seen = 0

    def run(self) -> Iterator[Found]:
        yield from self._enter(self._root_fd, b".", b"", 0)
        while self._levels:
            level = self._levels[-1]
            if level.folders:
                name = level.folders.pop()
                self._held -= 1
                yield from self._enter(level.fd, name, level.below(name), level.depth + 1)
            elif level.listing is not None:
                yield from self._take_chunk(level)
            else:
                self._levels.pop().close()

    def close(self) -> None:
        while self._levels:
            self._levels.pop().close()

    def _enter(self, parent_fd: int, name: bytes, path: bytes, depth: int) -> Iterator[Found]:
        """Report a folder and make it the innermost level, unless it cannot be read."""
        self._cancel.beat()
        try:
            fd = open_at(parent_fd, name, _OPEN_FOLDER)
        except OSError as error:
            blame_station(error)
            missing = path and isinstance(error, FileNotFoundError)
            if not missing or self._still_listed(parent_fd, {name}):
                yield _unlistable(path, error.errno)
            return
        status = os.fstat(fd)
        if status.st_dev != self._device or any(status.st_ino == above.inode for above in self._levels):
            # A mount that was put there since, or a damaged folder that contains itself.
            os.close(fd)
            yield _unlistable(path, errno.ELOOP)
            return
        level = _Level(path, depth, status.st_ino, fd)
        self._levels.append(level)
        if path:
            yield Found(path, Kind.FOLDER, mtime_ns=status.st_mtime_ns, inode=status.st_ino)
        try:
            level.listing = _listing(fd)
        except OSError as error:
            blame_station(error)
            yield _unlistable(path, error.errno)

    def _take_chunk(self, level: _Level) -> Iterator[Found]:
        """Report the next entries of a folder; its subfolders among them are kept for later."""
        names, broken = self._next_names(level)
        vanished: set[bytes] = set()
        for _, name in sorted(names):
            self._pulse()
            try:
                status = stat_at(level.fd, name)
            except FileNotFoundError:
                vanished.add(name)
            except OSError as error:
                blame_station(error)
                yield _unlistable(level.below(name), error.errno)
            else:
                found = self._classify(level, name, status)
                if found.kind is Kind.FOLDER:
                    level.folders.append(name)
                else:
                    yield found
        level.folders.reverse()
        self._held += len(level.folders)
        for name in self._still_listed(level.fd, vanished):
            yield _unlistable(level.below(name), errno.ENOENT)
        if broken:
            yield _unlistable(level.path, broken)

    def _next_names(self, level: _Level) -> tuple[list[tuple[int, bytes]], int]:
        """The next (inode, name) pairs, as many as there is room for, and the error if one came up."""
        room = max(CHUNK_MIN, HELD_MAX - self._held)
        names: list[tuple[int, bytes]] = []
        broken = 0
        try:
            names.extend(itertools.islice(self._entries(level.listing), room))
        except OSError as error:
            blame_station(error)
            broken = error.errno or errno.EIO
        if broken or len(names) < room:
            level.close_listing()
        return names, broken

    def _classify(self, level: _Level, name: bytes, status: os.stat_result) -> Found:
        path, depth, mode = level.below(name), level.depth + 1, status.st_mode
        regular = stat.S_ISREG(mode)
        if depth > DEPTH_MAX or len(path) > PATH_BYTES_MAX:
            kind = Kind.OUT_OF_BOUNDS
        elif status.st_dev != self._device:
            kind = Kind.OTHER_DEVICE
        elif regular:
            kind = Kind.FILE
        elif stat.S_ISDIR(mode):
            kind = Kind.FOLDER
        else:
            kind = Kind.LINK if stat.S_ISLNK(mode) else Kind.SPECIAL
        size_bytes = status.st_size if regular else 0
        # Right after the look at it, while the system still has all that it knows of the file.
        place = self._place_of(level.fd, name) if kind is Kind.FILE else 0
        return Found(path, kind, size_bytes, status.st_mtime_ns, status.st_ino, regular, place=place)

    def _still_listed(self, fd: int, vanished: set[bytes]) -> list[bytes]:
        """Those names that the folder still lists.

        Where a file system is damaged, or mounted with a character set that does not fit, a folder
        lists names that cannot be found. They must not be lost without a word.
        """
        if not vanished:
            return []
        try:
            with _listing(fd) as listing:
                return sorted(vanished.intersection(name for _, name in self._entries(listing)))
        except OSError as error:
            blame_station(error)
            return sorted(vanished)

    def _entries(self, listing: os._ScandirIterator[str] | None) -> Iterator[tuple[int, bytes]]:
        for entry in listing or ():
            self._pulse()
            yield entry.inode(), entry.name.encode(_ENCODING, _ERRORS)

    def _pulse(self) -> None:
        # At every entry: on a slow drive a few hundred of them take longer than a read may hang.
        self._cancel.beat()
        self._seen += 1
        if self._seen % PULSE_ENTRIES == 0:
            self._cancel.check()


def _unlistable(path: bytes, error: int | None) -> Found:
    return Found(path, Kind.UNLISTABLE, error=error or errno.EIO)


def _listing(fd: int) -> os._ScandirIterator[str]:
    # Opened anew, since a duplicate of the descriptor would share its position with other readers.
    own = open_at(fd, b".", _OPEN_FOLDER)
    try:
        return os.scandir(own)
    finally:
        os.close(own)
