"""A store that is a folder on a mounted file system."""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from ingestd.files import open_folder
from ingestd.ports import Pace, Problem, SmallObject, StoredObject, StoreFull, StoreRefused
from ingestd.store import folder_batch, folder_check, folder_parts
from ingestd.store.folder_bytes import blocks, write_at
from ingestd.store.folder_root import FolderRoot, closing, remove_empty
from ingestd.store.folder_upload import FolderUpload
from ingestd.store.one_by_one import stat_each
from ingestd.store.pacing import Allowance


class FolderStore:
    """Implements `Store`. Safe to use from several threads, and by several stations at a time.

    Keys are paths below `root`, of any bytes and any length; nothing is read or written through a
    link, or on another file system mounted below. `root` should be a folder *on* the storage, not its
    mount point: then an unmounted disk is noticed as StoreMissing instead of filling the one below.
    """

    def __init__(self, name: str, root: str, station: str = "") -> None:
        """`station` marks what is on its way into the store, and a sweep touches what bears its mark."""
        self._root = FolderRoot(name, root, station)

    @property
    def name(self) -> str:
        return self._root.name

    @property
    def trouble(self) -> str | None:
        return self._root.trouble

    def part_bytes(self, size_bytes: int, preferred_bytes: int) -> int:
        """See `Store`: a file is put together from parts of any size."""
        del size_bytes
        return preferred_bytes

    def carries(self, key: bytes) -> bool:
        """See `Store`: which names it takes depends on the file system that the site has chosen."""
        del key
        return True

    def begin(self, key: bytes, size_bytes: int) -> FolderUpload:
        """See `Store`. What cannot end well, for want of space or because a name is too long, is refused
        before hours of sending."""
        folders, name = self._root.parts_of(key)
        with self._root.errors(), self._root.opened() as root_fd, self._root.parts() as parts_fd:
            self._check_names(root_fd, [*folders, name])
            self._check_space(root_fd, size_bytes)
            token, fd = folder_parts.create(parts_fd, self._root.station)
            upload = FolderUpload(self._root, key, token, fd)
            os.fsync(parts_fd)
            return upload

    def _check_names(self, root_fd: int, parts: list[bytes]) -> None:
        longest, limit = max(map(len, parts)), os.fpathconf(root_fd, "PC_NAME_MAX")
        if longest > limit:
            raise StoreRefused(
                f"{self._root}: takes names of {limit} bytes at most, and one has {longest}; "
                "use a file system that takes longer names"
            )

    def _check_space(self, root_fd: int, size_bytes: int) -> None:
        space = os.fstatvfs(root_fd)
        free_bytes = space.f_bavail * space.f_frsize
        # Some network file systems report no blocks at all, which says nothing.
        if space.f_blocks and free_bytes < size_bytes:
            raise StoreFull(f"{self._root}: {size_bytes} bytes do not fit into {free_bytes}; free some space")

    def resume(self, key: bytes, size_bytes: int, token: str) -> FolderUpload | None:
        self._root.parts_of(key)
        with self._root.errors(), self._root.parts() as parts_fd:
            fd = folder_parts.reopen(parts_fd, token)
            if fd is None:
                return None
            upload = FolderUpload(self._root, key, token, fd)
            return upload if os.fstat(fd).st_size <= size_bytes else None

    def adopt(self, key: bytes, size_bytes: int, part_bytes: int) -> None:
        """See `Store`: nothing tells whose an unfinished file is, or what it was to become."""
        del key, size_bytes, part_bytes

    def put_batch(self, batch: Sequence[SmallObject], pace: Pace) -> Collection[bytes]:
        with self._root.errors():
            return folder_batch.put_batch(self._root, batch, pace)

    def replace(self, key: bytes, body: bytes) -> None:
        folders, name = self._root.parts_of(key)
        with (
            self._root.errors(),
            self._root.parts() as parts_fd,
            self._root.folder(folders, create=True) as folder_fd,
        ):
            self._look_at(folder_fd, name, key)
            token, fd = folder_parts.create(parts_fd, self._root.station)
            try:
                with closing(fd):
                    write_at(fd, 0, memoryview(body), Allowance(len(body), pace=lambda _: None))
                    os.fsync(fd)
                    os.rename(token, name, src_dir_fd=parts_fd, dst_dir_fd=folder_fd)
            except BaseException:
                folder_parts.discard(parts_fd, token)
                raise
            os.fsync(folder_fd)

    def stat(self, key: bytes) -> StoredObject | None:
        """See `Store`. A folder does not vouch for content: the digest is never given."""
        folders, name = self._root.parts_of(key)
        with self._root.errors(), self._root.opened() as root_fd:
            try:
                with closing(open_folder(root_fd, folders)) as folder_fd:
                    facts = self._look_at(folder_fd, name, key)
            except FileNotFoundError:
                return None
        return StoredObject(key, facts.st_size) if facts else None

    def stat_many(self, keys: Sequence[bytes]) -> Mapping[bytes, StoredObject | None]:
        return stat_each(self.stat, keys)

    def _look_at(self, folder_fd: int, name: bytes, key: bytes) -> os.stat_result | None:
        """What is known of the object, None when there is none. Raises StoreConflict for what is not a
        plain file."""
        try:
            facts = os.stat(name, dir_fd=folder_fd, follow_symlinks=False)
        except FileNotFoundError:
            return None
        if not stat.S_ISREG(facts.st_mode):
            raise self._root.conflict(key)
        return facts

    def read(self, key: bytes, block_bytes: int) -> Iterator[memoryview]:
        """See `Store`. Raises ObjectMissing, at the first block, when there is no such object."""
        folders, name = self._root.parts_of(key)
        with self._root.errors(), self._root.opened() as root_fd:
            try:
                with closing(open_folder(root_fd, folders)) as folder_fd:
                    self._look_at(folder_fd, name, key)
                    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
                    fd = os.open(name, flags, dir_fd=folder_fd)
            except FileNotFoundError:
                raise self._root.missing(key) from None
            with closing(fd):
                yield from blocks(fd, block_bytes)

    def remove(self, key: bytes) -> None:
        """See `Store`. Raises StoreConflict, and removes nothing, where not a plain file has the key."""
        folders, name = self._root.parts_of(key)
        with self._root.errors(), self._root.opened() as root_fd, contextlib.suppress(FileNotFoundError):
            self._remove(root_fd, folders, name, key)

    def _remove(self, root_fd: int, folders: list[bytes], name: bytes, key: bytes) -> None:
        with closing(open_folder(root_fd, folders)) as folder_fd:
            if self._look_at(folder_fd, name, key):
                os.unlink(name, dir_fd=folder_fd)
            remove_empty(folder_fd, folders)

    def abandon(self, token: str) -> None:
        with self._root.errors(), self._root.parts() as parts_fd:
            folder_parts.discard(parts_fd, token)

    def sweep(self, live_tokens: Iterable[str]) -> int:
        """See `Store`. Uploads and batches that some process is working on are left alone, live or not,
        and so is everything of another station."""
        live = frozenset(live_tokens)
        with self._root.errors(), self._root.parts() as parts_fd:
            names = os.listdir(parts_fd)
            dead = [n for n in names if n not in live and folder_parts.is_of(n, self._root.station)]
            return sum(folder_parts.discard_if_dead(parts_fd, name) for name in dead)

    def problems(self) -> Sequence[Problem]:
        return folder_check.problems(self._root)
