"""The folder of one store: how it is entered, and how its errors are told.

Nothing is kept open between two calls, so that the file system can be unmounted, mended and mounted
again while the daemon runs.
"""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator

from ingestd.core.names import printable, shortened
from ingestd.files import open_folder
from ingestd.ports import (
    ObjectMissing,
    PortError,
    ResourcesExhausted,
    StoreBusy,
    StoreConflict,
    StoreFull,
    StoreMissing,
    StoreRefused,
    StoreUnreachable,
)

PARTS = b".ingest-parts"
"""Reserved at the top of a store: what has not arrived whole lies here."""

_FULL = (StoreFull, "free some space or raise the quota, then lift the hold")
_REFUSED = (StoreRefused, "let the daemon's user read and write there, and mount it writable")
_UNREACHABLE = (StoreUnreachable, "check the disk or the server behind the folder; it is tried again")
_RESOURCES = (ResourcesExhausted, "raise the daemon's limits, or let it do less at once")
_IN_THE_WAY = (StoreConflict, "move away the link or file that stands where a folder should be")
_NAME = (StoreRefused, "use a file system that takes such long or unusual names")
_SIZE = (StoreRefused, "use a file system that takes files of this size")
_MOUNT = (StoreRefused, "keep the whole folder on one file system and in one quota project")

_MEANING: dict[int, tuple[type[PortError], str]] = {
    errno.ENOSPC: _FULL,
    errno.EDQUOT: _FULL,
    errno.EACCES: _REFUSED,
    errno.EPERM: _REFUSED,
    errno.EROFS: _REFUSED,
    errno.EIO: _UNREACHABLE,
    errno.ESTALE: _UNREACHABLE,
    errno.ETIMEDOUT: _UNREACHABLE,
    errno.ENOTCONN: _UNREACHABLE,
    errno.EHOSTDOWN: _UNREACHABLE,
    errno.EHOSTUNREACH: _UNREACHABLE,
    errno.ENETUNREACH: _UNREACHABLE,
    errno.ECONNRESET: _UNREACHABLE,
    errno.ENODEV: _UNREACHABLE,
    errno.ENXIO: _UNREACHABLE,
    errno.ENOENT: (StoreUnreachable, "something was taken away during the work; it is tried again"),
    errno.EBUSY: (StoreBusy, "it is tried again"),
    errno.EMFILE: _RESOURCES,
    errno.ENFILE: _RESOURCES,
    errno.ENOMEM: _RESOURCES,
    errno.ELOOP: _IN_THE_WAY,
    errno.ENOTDIR: _IN_THE_WAY,
    errno.EISDIR: _IN_THE_WAY,
    errno.EEXIST: _IN_THE_WAY,
    errno.ENAMETOOLONG: _NAME,
    errno.EILSEQ: _NAME,
    errno.EINVAL: _NAME,
    errno.EFBIG: _SIZE,
    errno.EXDEV: _MOUNT,
}


UNREACHABLE_MAX = 3
"""After so many failures in a row a folder counts as not working; one that is missing does at once."""


class FolderRoot:
    """Name and place of a store. Its context managers close what they open."""

    def __init__(self, name: str, path: str, station: str = "") -> None:
        self.name = name
        self.path = path
        self.station = station
        self.trouble: str | None = None
        """What kept the last work on it from being done, until some work is done again."""
        self._unreachable = 0

    @contextlib.contextmanager
    def errors(self) -> Iterator[None]:
        """Turn every OSError into the PortError that says what it means for a store."""
        try:
            yield
        except OSError as error:
            _forget_names(error)
            told = self._translated(error)
            self._failed(told)
            raise told from error
        except PortError as error:
            self._failed(error)
            raise
        else:
            self._unreachable, self.trouble = 0, None

    def _failed(self, error: PortError) -> None:
        if isinstance(error, StoreFull | StoreRefused | StoreConflict):
            self._unreachable, self.trouble = 0, None  # it has answered
        if isinstance(error, StoreUnreachable):
            self._unreachable += 1
        if isinstance(error, StoreMissing) or self._unreachable >= UNREACHABLE_MAX:
            self.trouble = str(error)

    def _translated(self, error: OSError) -> PortError:
        said = error.strerror or type(error).__name__
        kind, remedy = _MEANING.get(error.errno or 0, (PortError, "have a look at the station's kernel log"))
        return kind(f"{self}: {said}; {remedy}")

    def conflict(self, key: bytes) -> StoreConflict:
        """The error for a key that something different has."""
        what = shortened(printable(key))
        return StoreConflict(
            f"{self}: something else lies under {what!r} and was left as it is; "
            "move it away, or give the job another destination"
        )

    def missing(self, key: bytes) -> ObjectMissing:
        """The error for an object that should be there."""
        what = shortened(printable(key))
        return ObjectMissing(f"{self}: there is no {what!r}; find out who took it away, then load it again")

    def parts_of(self, key: bytes) -> tuple[list[bytes], bytes]:
        """The key's folders and last name. Raises StoreConflict for one that leads outside the store
        or into the folder that is reserved."""
        *folders, name = key.split(b"/")
        plain = all(part not in (b"", b".", b"..") for part in (*folders, name)) and b"\0" not in key
        if not plain or PARTS in (*folders, name)[:1]:
            what = shortened(printable(key))
            raise StoreConflict(f"{self}: {what!r} cannot be a key; give the job another destination")
        return folders, name

    @contextlib.contextmanager
    def opened(self) -> Iterator[int]:
        """A descriptor of the root. Raises StoreMissing: a root is never made, since where a disk is
        not mounted its data would fill the disk below."""
        try:
            fd = os.open(self.path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        except FileNotFoundError:
            raise StoreMissing(
                f"{self}: there is no such folder; mount its file system, or make the folder on it"
            ) from None
        except NotADirectoryError:
            raise StoreMissing(f"{self}: this is not a folder; name one in the configuration") from None
        with closing(fd):
            yield fd

    @contextlib.contextmanager
    def folder(self, folders: list[bytes], *, create: bool = False) -> Iterator[int]:
        """A descriptor of a folder below the root."""
        with self.opened() as root_fd, closing(open_folder(root_fd, folders, create=create)) as fd:
            yield fd

    @contextlib.contextmanager
    def parts(self) -> Iterator[int]:
        """A descriptor of the reserved folder, which is made when it is not there."""
        with self.folder([PARTS], create=True) as fd:
            yield fd

    def __str__(self) -> str:
        return f"store {self.name!r} in {self.path}"


def _forget_names(error: BaseException | None) -> None:
    """Take file names out of an error and those before it: they are the customer's, and tracebacks go
    into the log."""
    while error is not None:
        if isinstance(error, OSError):
            del error.filename, error.filename2
        error = error.__context__


@contextlib.contextmanager
def closing(fd: int) -> Iterator[int]:
    """Close the descriptor at the end."""
    try:
        yield fd
    finally:
        os.close(fd)


def remove_empty(folder_fd: int, folders: list[bytes]) -> None:
    """Remove the folder, reached through `folders`, and those above it, as far as they are empty.

    The last removal is made to last, and with it, on a file system with a log, all those before it.
    """
    kept = os.dup(folder_fd)
    emptied = False
    try:
        for name in reversed(folders):
            above = os.open("..", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=kept)
            if not _removed(above, name, kept):
                os.close(above)
                break
            os.close(kept)
            kept = above
            emptied = True
        if emptied:
            os.fsync(kept)
    finally:
        os.close(kept)


def _removed(above_fd: int, name: bytes, folder_fd: int) -> bool:
    """Remove a folder from the one above it. A folder that may not or cannot be removed just stays."""
    try:
        if not os.path.samestat(os.stat(name, dir_fd=above_fd, follow_symlinks=False), os.fstat(folder_fd)):
            return False  # it was moved while we were in it: '..' is no longer the way we came
        os.rmdir(name, dir_fd=above_fd)
    except OSError:
        return False
    return True
