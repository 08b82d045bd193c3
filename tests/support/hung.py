"""A volume whose files cannot all be read: reading one of them never comes back. Only for root.

The kernel's own FUSE protocol (version 7, include/uapi/linux/fuse.h), as much of it as it takes to look
at a folder and to read: requests that are about to hang are taken from the kernel and never answered,
which is what a dying disk does to its readers.
"""

from __future__ import annotations

import ctypes
import errno
import os
import select
import stat
import struct
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

_LIBC = ctypes.CDLL(None, use_errno=True)
_MS_RDONLY, _MS_NOSUID, _MS_NODEV, _MNT_DETACH = 1, 2, 4, 2

_LOOKUP, _GETATTR, _OPEN, _READ, _STATFS, _INIT, _OPENDIR, _READDIR = 1, 3, 14, 15, 17, 26, 27, 28
_UNANSWERED = (2, 36, 42)
"""FORGET, INTERRUPT and BATCH_FORGET."""
_PLAIN = (18, 25, 29, 34, 38)
"""RELEASE, FLUSH, RELEASEDIR, ACCESS and DESTROY: done, and nothing to say."""

_ASYNC_READ = 1
"""Readers then wait for the page, as they do for a disk's: only to be killed, but that they can be."""

_KEEP_CACHE = 2
"""Opening does not wait for pages that are being read."""

_ROOT = 1
_ANSWER_VALID_S = 3600


def needs_fuse(test: Callable[..., Any]) -> Callable[..., Any]:
    """Skip the test where nothing can be mounted with FUSE."""
    works = os.geteuid() == 0 and os.path.exists("/dev/fuse")
    skip = pytest.mark.skipif(not works, reason="needs root and /dev/fuse")
    marked: Callable[..., Any] = pytest.mark.root(skip(test))
    return marked


class HungVolume:
    """Files in one folder; those named in `hang` never give up their content."""

    def __init__(self, folder: Path, files: Mapping[bytes, bytes], hang: frozenset[bytes]) -> None:
        self._names = sorted(files)
        self._files = files
        self._hang = hang
        self.hanging = threading.Event()
        """Set once somebody reads what hangs."""
        self._fd = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="hung-volume", daemon=True)
        self._answers: Mapping[int, Callable[[int, bytes], bytes | None]] = {
            _INIT: self._init,
            _LOOKUP: self._lookup,
            _GETATTR: lambda node, _: struct.pack("<QII", _ANSWER_VALID_S, 0, 0) + self._attributes(node),
            _OPEN: lambda *_: struct.pack("<QIi", 0, _KEEP_CACHE, 0),
            _OPENDIR: lambda *_: struct.pack("<QIi", 0, 0, 0),
            _READ: self._read,
            _READDIR: self._list,
            _STATFS: lambda *_: struct.pack("<5Q10I", 1, 0, 0, 1, 0, 4096, 255, 4096, *[0] * 7),
        }
        _mount(folder, self._fd)
        self._thread.start()

    def close(self) -> None:
        """Let everybody go who hangs: the system tells them that the volume is gone."""
        self._stop.set()
        self._thread.join(10)
        os.close(self._fd)

    def _serve(self) -> None:
        while not self._stop.is_set():
            if select.select([self._fd], [], [], 0.05)[0]:
                try:
                    request = os.read(self._fd, 1 << 20)
                except OSError as error:
                    if error.errno == errno.ENODEV:
                        return
                    continue
                self._answer(request)

    def _answer(self, request: bytes) -> None:
        _, opcode, unique, node = struct.unpack_from("<IIQQ", request)
        if opcode in _UNANSWERED:
            return
        error, body = 0, b""
        try:
            if opcode in self._answers:
                given = self._answers[opcode](node, request[40:])
                if given is None:
                    return
                body = given
            elif opcode not in _PLAIN:
                error = -errno.ENOSYS
        except FileNotFoundError:
            error = -errno.ENOENT
        os.write(self._fd, struct.pack("<IiQ", 16 + len(body), error, unique) + body)

    def _init(self, _node: int, body: bytes) -> bytes:
        major, _, readahead = struct.unpack_from("<III", body)
        flags = _ASYNC_READ
        return struct.pack("<IIIIHHIIHHI", major, 31, readahead, flags, 12, 9, 4096, 1, 32, 0, 0) + bytes(28)

    def _lookup(self, _node: int, body: bytes) -> bytes:
        name = body.rstrip(b"\0")
        if name not in self._files:
            raise FileNotFoundError
        node = self._names.index(name) + _ROOT + 1
        valid = struct.pack("<QQQQII", node, 0, _ANSWER_VALID_S, _ANSWER_VALID_S, 0, 0)
        return valid + self._attributes(node)

    def _attributes(self, node: int) -> bytes:
        folder = node == _ROOT
        size = 4096 if folder else len(self._content(node))
        mode = stat.S_IFDIR | 0o755 if folder else stat.S_IFREG | 0o644
        times = (1_900_000_000,) * 3
        return struct.pack("<6Q10I", node, size, -(-size // 512), *times, 0, 0, 0, mode, 1, 0, 0, 0, 4096, 0)

    def _content(self, node: int) -> bytes:
        return self._files[self._names[node - _ROOT - 1]]

    def _read(self, node: int, body: bytes) -> bytes | None:
        _, offset, size = struct.unpack_from("<QQI", body)
        if self._names[node - _ROOT - 1] in self._hang:
            self.hanging.set()
            return None
        return self._content(node)[offset : offset + size]

    def _list(self, _node: int, body: bytes) -> bytes:
        _, offset, size = struct.unpack_from("<QQI", body)
        found = b""
        for number, name in list(enumerate(self._names, 1))[offset:]:
            entry = struct.pack("<QQII", number + _ROOT, number, len(name), stat.S_IFREG >> 12) + name
            entry += bytes(-len(entry) % 8)
            if len(found) + len(entry) > size:
                break
            found += entry
        return found


def _mount(folder: Path, fd: int) -> None:
    options = f"fd={fd},rootmode=40000,user_id=0,group_id=0".encode()
    flags = _MS_RDONLY | _MS_NOSUID | _MS_NODEV
    if _LIBC.mount(b"hung", os.fsencode(folder), b"fuse", flags, options) != 0:
        number = ctypes.get_errno()
        os.close(fd)
        pytest.skip(f"cannot mount with FUSE here: {os.strerror(number)}")


@contextmanager
def hung_volume(folder: Path, files: Mapping[bytes, bytes], *, hang: bytes) -> Iterator[HungVolume]:
    """These files, mounted at a new folder; reading the one named `hang` does not come back."""
    folder.mkdir(parents=True)
    volume = HungVolume(folder, files, frozenset([hang]))
    try:
        yield volume
    finally:
        _LIBC.umount2(os.fsencode(folder), _MNT_DETACH)
        volume.close()
