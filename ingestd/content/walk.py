"""Everything below a folder, depth first, whatever the names, the depth and the number of files.

The walk goes from descriptor to descriptor, so no path is ever resolved: it follows no link, leaves
the file system only to say that it does not enter another, and works where a path is longer than the
system could take. Nothing but folders is opened, and files only by who is asked for their places.

Bounds: one descriptor for each level, and a second for a level whose folder is longer than a chunk,
so at most 2 * (DEPTH_MAX + 1); at most HELD_MAX + DEPTH_MAX * CHUNK_MIN names in memory (98,304, of
255 bytes each at the worst), and RUN_ENTRIES entries.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import sys
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import islice
from typing import NamedTuple

from ingestd.content.faults import blame_station
from ingestd.files import open_at, stat_at
from ingestd.ports import CancelToken

DEPTH_MAX = 256
"""Parts of the longest path that is carried."""
PATH_BYTES_MAX = 4096
HELD_MAX = 32_768
CHUNK_MIN = 256
RUN_ENTRIES = 500
"""Most entries of a run; whether the walk is to stop is asked before each."""
LISTED_TOGETHER = 64
"""Fewer than one look into a folder gives (32 KiB), so that there is a sign of life for each such look."""

_ENCODING, _ERRORS = sys.getfilesystemencoding(), sys.getfilesystemencodeerrors()
"""As `os.fsencode` has them, which takes three times as long to look them up."""

_IFMT, _IFREG = 0o170000, stat.S_IFREG
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


_FILE = Kind.FILE
"""Looked up once, since enumerations take their time."""


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


class Run(NamedTuple):
    """At least one entry of a folder, or a folder that the walk now enters."""

    found: list[Found]
    in_parts: bool = False
    """Whether their folder is not listed in one go, so that a name may come twice if it is damaged, and of a
    folder all that lies below it."""


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
    the way is passed over, one that stays listed without being found is unlistable. A name that a damaged
    folder lists twice is told once, unless the folder is longer than a chunk.

    Raises ResourcesExhausted when the station is out of descriptors or memory, and Cancelled. Whoever
    stops early closes the generator, and with it the descriptors.
    """
    with contextlib.closing(runs(root_fd, cancel=cancel, place_of=place_of)) as everything:
        for run in everything:
            yield from run.found


def runs(root_fd: int, *, cancel: CancelToken, place_of: PlaceOf = no_place) -> Generator[Run, None, None]:
    """The same, many together."""
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
    in_parts: bool = False
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
        self._place_of = None if place_of is no_place else place_of
        self._root_fd = root_fd
        self._device = os.fstat(root_fd).st_dev
        self._levels: list[_Level] = []
        self._held = 0

    def run(self) -> Iterator[Run]:
        if told := self._enter(self._root_fd, b".", b"", 0):
            yield Run(told)
        while self._levels:
            level = self._levels[-1]
            if level.folders:
                name = level.folders.pop()
                self._held -= 1
                if told := self._enter(level.fd, name, level.below(name), level.depth + 1):
                    yield Run(told, level.in_parts)
            elif level.listing is not None:
                yield from self._take_chunk(level)
            else:
                self._levels.pop().close()

    def close(self) -> None:
        while self._levels:
            self._levels.pop().close()

    def _enter(self, parent_fd: int, name: bytes, path: bytes, depth: int) -> list[Found]:
        """Make a folder the innermost level, unless it cannot be read; what there is to tell of it."""
        self._cancel.check()
        try:
            fd = open_at(parent_fd, name, _OPEN_FOLDER)
        except OSError as error:
            blame_station(error)
            missing = path and isinstance(error, FileNotFoundError)
            told = not missing or self._still_listed(parent_fd, {name})
            return [_unlistable(path, error.errno)] if told else []
        status = os.fstat(fd)
        if status.st_dev != self._device or any(status.st_ino == above.inode for above in self._levels):
            # A mount that was put there since, or a damaged folder that contains itself.
            os.close(fd)
            return [_unlistable(path, errno.ELOOP)]
        level = _Level(path, depth, status.st_ino, fd)
        self._levels.append(level)
        found = [Found(path, Kind.FOLDER, mtime_ns=status.st_mtime_ns, inode=status.st_ino)] if path else []
        try:
            # The descriptor is the walk's own, so that nobody else moves its position.
            level.listing = os.scandir(fd)
        except OSError as error:
            blame_station(error)
            found.append(_unlistable(path, error.errno))
        return found

    def _take_chunk(self, level: _Level) -> Iterator[Run]:
        """The next entries of a folder; its subfolders among them are kept for later."""
        names, broken = self._next_names(level)
        vanished: set[bytes] = set()
        for at in range(0, len(names), RUN_ENTRIES):
            self._cancel.check()
            if found := self._look_at(level, names[at : at + RUN_ENTRIES], vanished):
                yield Run(found, level.in_parts)
        level.folders.reverse()
        self._held += len(level.folders)
        rest = [
            _unlistable(level.below(name), errno.ENOENT) for name in self._still_listed(level.fd, vanished)
        ]
        if broken:
            rest.append(_unlistable(level.path, broken))
        if rest:
            yield Run(rest, level.in_parts)

    def _look_at(self, level: _Level, names: list[bytes], vanished: set[bytes]) -> list[Found]:
        run: list[Found] = []
        beat, place_of, device, make = self._cancel.beat, self._place_of, self._device, tuple.__new__
        fd, at = level.fd, level.below(b"")
        longest = PATH_BYTES_MAX - len(at) if level.depth < DEPTH_MAX else -1
        for name in names:
            # At every entry: on a slow drive a few hundred of them take longer than a read may hang.
            beat()
            try:
                try:
                    status = os.stat(name, dir_fd=fd, follow_symlinks=False)
                except PermissionError:
                    status = stat_at(fd, name)
            except FileNotFoundError:
                vanished.add(name)
            except OSError as error:
                blame_station(error)
                run.append(_unlistable(at + name, error.errno))
            else:
                regular = status.st_mode & _IFMT == _IFREG and status.st_dev == device
                if regular and len(name) <= longest:
                    # Right after the look at it, while the system still has all that it knows of the file.
                    place = place_of(fd, name) if place_of else 0
                    facts = (
                        at + name,
                        _FILE,
                        status.st_size,
                        status.st_mtime_ns,
                        status.st_ino,
                        True,
                        0,
                        place,
                    )
                    run.append(make(Found, facts))  # Half the time of `Found(*facts)`.
                    continue
                found = self._classify(level, name, status)
                if found.kind is Kind.FOLDER:
                    level.folders.append(name)
                else:
                    run.append(found)
        return run

    def _next_names(self, level: _Level) -> tuple[list[bytes], int]:
        """The next names by inode, as many as there is room for, and the error if one came up."""
        room = max(CHUNK_MIN, HELD_MAX - self._held)
        names: list[tuple[int, bytes]] = []
        broken = 0
        try:
            while len(names) < room:
                self._cancel.check()
                self._cancel.beat()
                before, together = len(names), min(LISTED_TOGETHER, room - len(names))
                names.extend(_entries(level.listing, together))
                if len(names) - before < together:
                    break
        except OSError as error:
            blame_station(error)
            broken = error.errno or errno.EIO
        if broken or len(names) < room:
            level.close_listing()
        else:
            level.in_parts = True
        names.sort()
        in_order = [name for _, name in names]
        once = set(in_order)
        return (in_order if len(once) == len(in_order) else list(dict.fromkeys(in_order))), broken

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
        return Found(path, kind, size_bytes, status.st_mtime_ns, status.st_ino, regular)

    def _still_listed(self, fd: int, vanished: set[bytes]) -> list[bytes]:
        """Those names that the folder still lists.

        Where a file system is damaged, or mounted with a character set that does not fit, a folder
        lists names that cannot be found. They must not be lost without a word.
        """
        if not vanished:
            return []
        try:
            with _listing(fd) as listing:
                left = set[bytes]()
                while part := list(_entries(listing, LISTED_TOGETHER)):
                    self._cancel.beat()
                    left.update(vanished.intersection(name for _, name in part))
                return sorted(left)
        except OSError as error:
            blame_station(error)
            return sorted(vanished)


def _entries(listing: os._ScandirIterator[str] | None, limit: int) -> Iterator[tuple[int, bytes]]:
    """Inode and name."""
    return ((entry.inode(), entry.name.encode(_ENCODING, _ERRORS)) for entry in islice(listing or (), limit))


def _unlistable(path: bytes, error: int | None) -> Found:
    return Found(path, Kind.UNLISTABLE, error=error or errno.EIO)


def _listing(fd: int) -> os._ScandirIterator[str]:
    # Opened anew, since a duplicate of the descriptor would share its position with other readers.
    own = open_at(fd, b".", _OPEN_FOLDER)
    try:
        return os.scandir(own)
    finally:
        os.close(own)
