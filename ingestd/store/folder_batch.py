"""Many small objects at once: one wait for the medium per batch, not one or two per file.

Every file is first written under a temporary name. One sync of the file system makes them all last; then
each gets its key, and a second sync makes the keys last. So a key never shows half an object, not even
after a power cut. Where the file system cannot be synced as a whole, and for a handful of files, each
file and each folder is synced by itself, in the same order.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Sequence

from ingestd.files import open_folder
from ingestd.ports import Pace, SmallObject, StoreConflict
from ingestd.store import folder_parts, syscalls
from ingestd.store.folder_bytes import holds, write_at
from ingestd.store.folder_root import FolderRoot, closing
from ingestd.store.pacing import Allowance

_FEW = 4
"""Up to so many files are synced one by one: that does not wait for what others are writing."""

_Entry = tuple[str, bytes, SmallObject]
"""Temporary name, last name of the key, object."""


def put_batch(root: FolderRoot, batch: Sequence[SmallObject], pace: Pace) -> Collection[bytes]:
    """See `Store.put_batch`. Objects that got their key before an error keep it."""
    folders, placed = _by_folder(root, batch), set[bytes]()
    # The root is opened first: a sync reports the errors since its descriptor was opened.
    with (
        root.opened() as root_fd,
        root.parts() as parts_fd,
        folder_parts.batch_folder(parts_fd, root.station) as batch_fd,
    ):
        as_whole = len(batch) > _FEW and syscalls.can_sync_file_system(root_fd)
        allowance = Allowance(sum(len(small.body) for small in batch), pace)
        for number, small in enumerate(batch):
            _write(batch_fd, str(number), small.body, allowance, durable=not as_whole)
        if as_whole:
            syscalls.sync_file_system(root_fd)
        for folder, entries in folders.items():
            with closing(open_folder(root_fd, list(folder), create=True, durable=not as_whole)) as folder_fd:
                _place_all(root, batch_fd, folder_fd, entries, placed)
                if not as_whole:
                    os.fsync(folder_fd)
        if as_whole:
            syscalls.sync_file_system(root_fd)
    return {small.key for small in batch} - placed


def _by_folder(root: FolderRoot, batch: Iterable[SmallObject]) -> dict[tuple[bytes, ...], list[_Entry]]:
    """The batch, grouped so that the way to each folder is walked once. All keys are checked."""
    grouped: dict[tuple[bytes, ...], list[_Entry]] = {}
    for number, small in enumerate(batch):
        folders, name = root.parts_of(small.key)
        grouped.setdefault(tuple(folders), []).append((str(number), name, small))
    return grouped


def _write(batch_fd: int, temporary: str, body: memoryview, allowance: Allowance, *, durable: bool) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    fd = os.open(temporary, flags, folder_parts.FILE_MODE, dir_fd=batch_fd)
    try:
        write_at(fd, 0, body, allowance)
        if durable:
            os.fsync(fd)
    finally:
        os.close(fd)


def _place_all(
    root: FolderRoot, batch_fd: int, folder_fd: int, entries: Iterable[_Entry], placed: set[bytes]
) -> None:
    """Give all of them their keys; `placed` gets those under which nothing lay before."""
    for temporary, name, small in entries:
        try:
            folder_parts.place(batch_fd, temporary, folder_fd, name)
        except FileExistsError:
            if not holds(folder_fd, name, len(small.body), small.sha256):
                raise StoreConflict(str(root.conflict(small.key)), placed) from None
        else:
            placed.add(small.key)
