"""Files that have not got their key yet, and how they get it.

They lie in the reserved folder under names that are tokens: a random part, and the name of the station
that made them. Whoever works with one holds a shared lock on it, which goes with the process: a sweep
leaves locked ones alone. Those of another station that uses the same folder it does not even look at,
since locks do not reach everywhere, and an upload that rests holds none.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import re
import stat
import uuid
from collections.abc import Iterator

from ingestd.store import syscalls
from ingestd.store.folder_root import closing

FILE_MODE = 0o640
"""Of every object; the process's umask may take more away."""

_FOLDER_MODE = 0o750
_FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
_TOKEN = re.compile(r"[0-9a-f]{32}(-(?P<station>[A-Za-z0-9][A-Za-z0-9._-]{0,63}))?")
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOTSUP, errno.EMLINK, errno.ENOSYS)
_NO_SAFE_RENAME = (errno.EINVAL, errno.ENOSYS)


def is_token(text: str) -> bool:
    """Whether a token of ours looks like this; one that does is a plain file name."""
    return _TOKEN.fullmatch(text) is not None


def is_of(token: str, station: str) -> bool:
    """Whether this is the token of an upload or a batch that the station has begun."""
    found = _TOKEN.fullmatch(token)
    return found is not None and (found["station"] or "") == station


def _new_token(station: str) -> str:
    token = f"{uuid.uuid4().hex}-{station}" if station else uuid.uuid4().hex
    assert is_of(token, station), "stations have names that are fit for files"
    return token


def create(parts_fd: int, station: str) -> tuple[str, int]:
    """A new empty file: its token, and a locked descriptor for reading and writing."""
    token = _new_token(station)
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    fd = os.open(token, flags, FILE_MODE, dir_fd=parts_fd)
    _lock(fd)
    return token, fd


def reopen(parts_fd: int, token: str) -> int | None:
    """A locked descriptor of the file with this token, None when there is none."""
    if not is_token(token):
        return None
    try:
        fd = os.open(token, os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=parts_fd)
    except FileNotFoundError:
        return None
    _lock(fd)
    return fd


@contextlib.contextmanager
def batch_folder(parts_fd: int, station: str) -> Iterator[int]:
    """A locked folder for a batch of temporary files, gone at the end with all that is left in it."""
    token = _new_token(station)
    os.mkdir(token, _FOLDER_MODE, dir_fd=parts_fd)
    with closing(os.open(token, _FOLDER_FLAGS, dir_fd=parts_fd)) as fd:
        _lock(fd)
        try:
            yield fd
        finally:
            # What cannot be removed now, because the disk is gone or full of errors, the next sweep will.
            with contextlib.suppress(OSError):
                _remove_folder(parts_fd, token)


def place(parts_fd: int, token: str, folder_fd: int, name: bytes) -> None:
    """Give the temporary file its name, where nothing has that name yet: FileExistsError otherwise.

    The temporary name may still be there afterwards, as a second name of the same file.
    """
    try:
        os.link(token, name, src_dir_fd=parts_fd, dst_dir_fd=folder_fd, follow_symlinks=False)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        _rename(parts_fd, token, folder_fd, name)


def _rename(parts_fd: int, token: str, folder_fd: int, name: bytes) -> None:
    try:
        syscalls.rename_to_new(parts_fd, token, folder_fd, name)
    except OSError as error:
        if error.errno not in _NO_SAFE_RENAME:
            raise
        # The last resort: between the look and the rename another program could take the name.
        if _is_there(folder_fd, name):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
        os.rename(token, name, src_dir_fd=parts_fd, dst_dir_fd=folder_fd)


def discard(parts_fd: int, token: str) -> None:
    """Take a temporary name away. Absent is fine, and so is a token that was never ours."""
    if is_token(token):
        with contextlib.suppress(FileNotFoundError):
            os.unlink(token, dir_fd=parts_fd)


def discard_if_dead(parts_fd: int, token: str) -> int:
    """Remove a temporary file, or a batch of them, unless somebody works with it; how many files."""
    if not is_token(token):
        return 0
    try:
        is_folder = stat.S_ISDIR(os.stat(token, dir_fd=parts_fd, follow_symlinks=False).st_mode)
        flags = _FOLDER_FLAGS if is_folder else os.O_RDWR | os.O_NOFOLLOW | os.O_CLOEXEC
        with closing(os.open(token, flags, dir_fd=parts_fd)) as fd:
            if _in_use(fd):
                return 0
            if is_folder:
                return _remove_folder(parts_fd, token)
            os.unlink(token, dir_fd=parts_fd)
            return 1
    except (FileNotFoundError, PermissionError):
        # Gone meanwhile, or another user's, whose station sweeps for itself.
        return 0


def _remove_folder(parts_fd: int, token: str) -> int:
    with closing(os.open(token, _FOLDER_FLAGS, dir_fd=parts_fd)) as fd:
        names = os.listdir(fd)
        for name in names:
            os.unlink(name, dir_fd=fd)
    os.rmdir(token, dir_fd=parts_fd)
    return len(names)


def _lock(fd: int) -> None:
    """Mark it as in use. A file system without locks does without: there a sweep must be told."""
    with contextlib.suppress(OSError):
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)


def _in_use(fd: int) -> bool:
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


def _is_there(folder_fd: int, name: bytes) -> bool:
    try:
        os.stat(name, dir_fd=folder_fd, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True
