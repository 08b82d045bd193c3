"""The few file operations whose exact form matters."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import threading
from collections.abc import Iterator
from typing import Protocol

MOUNT_ENDED = frozenset((errno.ENOTCONN, errno.ECONNABORTED, errno.ESHUTDOWN))
"""What is answered for files of a mount whose program has ended; no medium gives any of it."""
MOUNT_ENDED_TEXT = (
    "the program that served this mount has ended: look into the system's log, and the helper's"
)


class Reach(Protocol):
    """A way into folders whose permissions keep this process out; see `reaching`."""

    def open_below(self, folder_fd: int, name: bytes, *, look: bool = False) -> int:
        """A single name in a folder, opened for reading, or with `look` for its facts only."""


_reaches: dict[int, list[Reach]] = {}
_reaches_lock = threading.Lock()


@contextlib.contextmanager
def reaching(device: int, reach: Reach) -> Iterator[None]:
    """Within this, folders on the file system with this device number are reached by `reach` as well.

    The files of a stranger's drive have the permissions that the stranger gave them. A daemon that runs
    without privilege asks whoever mounted the drive for those that it may not open. It is a matter of
    the mount, not of the caller, as permissions are: so it is kept by the mount, and whoever opens or
    looks at something by `open_at` and `stat_at` need not know.
    """
    with _reaches_lock:
        _reaches.setdefault(device, []).append(reach)
    try:
        yield
    finally:
        with _reaches_lock:
            _reaches[device].remove(reach)
            if not _reaches[device]:
                del _reaches[device]


def _reach(folder_fd: int) -> Reach | None:
    with _reaches_lock:
        found = _reaches.get(os.fstat(folder_fd).st_dev)
        return found[-1] if found else None


def open_at(folder_fd: int, name: bytes, flags: int) -> int:
    """A single name in a folder, opened for reading; no link is followed. Raises OSError."""
    try:
        return os.open(name, flags | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=folder_fd)
    except PermissionError:
        reach = _reach(folder_fd)
        if reach is None:
            raise
    fd = reach.open_below(folder_fd, name)
    if flags & os.O_DIRECTORY and not stat.S_ISDIR(os.fstat(fd).st_mode):
        os.close(fd)
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR))
    return fd


def stat_at(folder_fd: int, name: bytes) -> os.stat_result:
    """The facts of a single name in a folder; of a link its own. Raises OSError."""
    try:
        return os.stat(name, dir_fd=folder_fd, follow_symlinks=False)
    except PermissionError:
        reach = _reach(folder_fd)
        if reach is None:
            raise
    fd = reach.open_below(folder_fd, name, look=True)
    try:
        return os.fstat(fd)
    finally:
        os.close(fd)


def open_beneath(root_fd: int, path: bytes, flags: int, mode: int = 0o600) -> int:
    """Open `path` below the folder `root_fd`, following no link and crossing no mount.

    Works for paths longer than the system's limit, since every part is opened relative to the one
    before. Raises ValueError for a path that is absolute or has an empty, '.' or '..' part, and
    OSError: ELOOP or ENOTDIR where a part is a link, EXDEV where one is on another device.
    """
    *folders, last = _parts(path)
    folder_fd = open_folder(root_fd, folders)
    try:
        if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            fd = os.open(last, flags | os.O_NOFOLLOW | os.O_CLOEXEC, mode, dir_fd=folder_fd)
        else:
            fd = open_at(folder_fd, last, flags)
    finally:
        os.close(folder_fd)
    try:
        _same_device(root_fd, fd)
    except OSError:
        os.close(fd)
        raise
    return fd


def open_folder(root_fd: int, folders: list[bytes], *, create: bool = False, durable: bool = True) -> int:
    """A new descriptor of the folder reached from `root_fd` through `folders`, under the same rules.

    With `create`, missing folders are made, and made to last before anything is put into them; without
    `durable` that is left to the caller, who syncs them all at once.
    """
    at = os.dup(root_fd)
    try:
        for name in folders:
            below = _open_one_folder(at, name, create=create, durable=durable)
            os.close(at)
            at = below
        _same_device(root_fd, at)
    except BaseException:
        os.close(at)
        raise
    return at


def _open_one_folder(parent_fd: int, name: bytes, *, create: bool, durable: bool) -> int:
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        return open_at(parent_fd, name, flags)
    except FileNotFoundError:
        if not create:
            raise
    with contextlib.suppress(FileExistsError):
        os.mkdir(name, 0o750, dir_fd=parent_fd)
        if durable:
            os.fsync(parent_fd)
    return os.open(name, flags, dir_fd=parent_fd)


def _parts(path: bytes) -> list[bytes]:
    parts = path.split(b"/")
    if any(part in (b"", b".", b"..") for part in parts):
        raise ValueError(f"not a plain relative path: {path!r}")
    return parts


def _same_device(root_fd: int, fd: int) -> None:
    if os.fstat(root_fd).st_dev != os.fstat(fd).st_dev:
        raise OSError(18, "lies on another device than the root")


def is_regular(fd: int) -> bool:
    return stat.S_ISREG(os.fstat(fd).st_mode)


def fsync_folder(path: str) -> None:
    """Make the names in a folder last."""
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def write_whole(path: str, body: bytes, *, durable: bool = True) -> None:
    """Put `body` under `path` so that nobody ever sees half of it: write beside it, then rename.

    The temporary name begins with a dot, which readers of our folders pass over.
    """
    folder, name = os.path.split(path)
    temporary = os.path.join(folder, f".{name}.{os.getpid()}.tmp")
    fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o640)
    try:
        with open(fd, "wb") as file:
            file.write(body)
            file.flush()
            if durable:
                os.fsync(fd)
        os.rename(temporary, path)
    except BaseException:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(temporary)
        raise
    if durable:
        fsync_folder(folder or ".")
