"""One object on its way into a folder store, part by part."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator

from ingestd.ports import Pace, StoreDigest, StoredObject, StoreUnreachable
from ingestd.store import folder_parts
from ingestd.store.folder_bytes import equals, forget, holds, write_at
from ingestd.store.folder_root import FolderRoot
from ingestd.store.pacing import Allowance


class FolderUpload:
    """Implements `Upload` with a temporary file.

    An upload that is put off is just dropped: its parts stay, and its token finds them again.
    """

    def __init__(self, root: FolderRoot, key: bytes, token: str, fd: int) -> None:
        self._root = root
        self._key = key
        self._token = token
        self._descriptor = _Descriptor(fd)
        self._finishing = threading.Lock()
        self._done: StoredObject | None = None
        # A crash between the two steps of completing leaves the file with its key and its token.
        self._has_key = os.fstat(fd).st_nlink > 1

    @property
    def token(self) -> str:
        return self._token

    def put_part(self, number: int, offset: int, body: memoryview, pace: Pace) -> None:
        """See `Upload`. Raises StoreUnreachable once the upload was completed or aborted."""
        del number  # a file is put together by offsets alone
        with self._root.errors(), self._lent() as fd:
            if self._has_key:
                self._check_part(fd, offset, body)
                return
            write_at(fd, offset, body, Allowance(len(body), pace))
            os.fdatasync(fd)
            forget(fd, offset, len(body))

    def stream_part(
        self,
        number: int,
        offset: int,
        size_bytes: int,
        block_bytes: int,
        blocks: Iterator[memoryview],
        pace: Pace,
    ) -> None:
        del size_bytes, block_bytes
        for block in blocks:
            self.put_part(number, offset, block, pace)
            offset += len(block)

    def may_hold(self, number: int, size_bytes: int) -> bool:
        """See `Upload`: a folder knows nothing of what is in a file."""
        del number, size_bytes
        return False

    def holds(self, number: int, size_bytes: int, md5: bytes) -> bool:
        del number, size_bytes, md5
        return False

    def _check_part(self, fd: int, offset: int, body: memoryview) -> None:
        """What has its key is never written to; the same bytes again are fine."""
        if not equals(fd, offset, body):
            raise self._root.conflict(self._key)

    def complete(self, size_bytes: int, sha256: bytes) -> StoredObject:
        """See `Upload`. Raises StoreDigest when the parts do not add up to the size. After an error
        the parts are still there: complete again, or abort."""
        with self._finishing:
            if self._done is None:
                with self._root.errors(), self._lent() as fd:
                    self._check_size(fd, size_bytes)
                    os.fsync(fd)
                    existed = self._take_key(fd, size_bytes, sha256)
                self._done = StoredObject(self._key, size_bytes, existed=existed)
                self._descriptor.close()
            return self._done

    def _check_size(self, fd: int, size_bytes: int) -> None:
        found = os.fstat(fd).st_size
        if found != size_bytes:
            raise StoreDigest(
                f"{self._root}: {found} bytes have arrived of an object of {size_bytes}; send it again"
            )

    def _take_key(self, fd: int, size_bytes: int, sha256: bytes) -> bool:
        """Whether another file of the same content had the key already."""
        ours = True
        folders, name = self._root.parts_of(self._key)
        with self._root.parts() as parts_fd, self._root.folder(folders, create=True) as folder_fd:
            try:
                folder_parts.place(parts_fd, self._token, folder_fd, name)
            except (FileExistsError, FileNotFoundError):
                # Taken by an earlier try or by somebody else. Where neither name is there, this raises.
                ours = _is_same_file(fd, folder_fd, name)
                if not ours and not holds(folder_fd, name, size_bytes, sha256):
                    raise self._root.conflict(self._key) from None
            self._has_key = True
            # Before the temporary name goes: at no moment may the file be without a lasting name.
            os.fsync(folder_fd)
            folder_parts.discard(parts_fd, self._token)
        return not ours

    def abort(self) -> None:
        """See `Upload`. Does nothing to an object that is complete."""
        self._descriptor.close()
        with self._root.errors(), self._root.parts() as parts_fd:
            folder_parts.discard(parts_fd, self._token)

    @contextlib.contextmanager
    def _lent(self) -> Iterator[int]:
        with self._descriptor.lent() as fd:
            if fd is None:
                raise StoreUnreachable(f"{self._root}: this upload is over; the file is to be sent anew")
            yield fd


class _Descriptor:
    """A descriptor that several threads use. It is closed once nobody does: a write through a number
    that was closed meanwhile would land in whichever file was given it next."""

    def __init__(self, fd: int) -> None:
        self._fd: int | None = fd
        self._users = 0
        self._wanted = True
        self._lock = threading.Lock()

    @contextlib.contextmanager
    def lent(self) -> Iterator[int | None]:
        """The descriptor, None after `close`."""
        with self._lock:
            fd = self._fd if self._wanted else None
            self._users += 1
        try:
            yield fd
        finally:
            with self._lock:
                self._users -= 1
                self._close_if_idle()

    def close(self) -> None:
        with self._lock:
            self._wanted = False
            self._close_if_idle()

    def _close_if_idle(self) -> None:
        if self._fd is not None and not self._wanted and not self._users:
            fd, self._fd = self._fd, None
            os.close(fd)

    def __del__(self) -> None:
        # Nobody tells an upload that it is put off, and a station runs for years.
        self.close()


def _is_same_file(fd: int, folder_fd: int, name: bytes) -> bool:
    return os.path.samestat(os.fstat(fd), os.stat(name, dir_fd=folder_fd, follow_symlinks=False))
