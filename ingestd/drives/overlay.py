"""Copy-on-write overlays: a device that reads as the drive and can be written to, beside the drive.

A file system that was not cleanly unmounted has changes in its log that only a driver that may write
brings in. It is let write here: what it writes goes into a bounded scratch space of the station, and
nothing ever reaches the drive, which lies below a read-only window.

Two ways, the first that works here: a snapshot of the device mapper, over a scratch file; or nbdkit's
cow filter, served as a file by nbdfuse, over a memory file system of that size.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass

from ingestd.drives import block, mounts
from ingestd.drives.block import LoopWindow
from ingestd.drives.programs import give_up, on_one_line, run, start
from ingestd.ports import ResourcesExhausted, ToolFailed

_SECTOR = 512
_CHUNK_SECTORS = 8
_SERVE_S = 20.0
_PAUSE_S = 0.02
_ROOM_LEFT = 2
"""Blocks of a scratch space: with no more than these free it counts as full."""
_CONTROL = "/dev/mapper/control"
_NO_WAIT = "--noudevsync"
"""udev would say when it is done by a semaphore, which a process with IPC of its own never hears."""
_counter = itertools.count(1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scratch:
    """Where overlays may lie, and how much each may take. With 0 bytes there are none."""

    folder: str
    bytes_max: int

    @property
    def mark(self) -> str:
        """What names of the device mapper begin with that are this scratch folder's."""
        return f"ingestd-{hashlib.blake2b(self.folder.encode(), digest_size=4).hexdigest()}-"


@dataclass(frozen=True, slots=True)
class Overlay:
    """A writable device over a window. `is_full`: whether something that was written found no room."""

    path: str
    is_full: Callable[[], bool]


def ways() -> list[str]:
    """The ways of making overlays that work on this station, best first."""
    found = []
    if shutil.which("dmsetup") and _has_snapshots():
        found.append("device-mapper")
    if shutil.which("nbdkit") and shutil.which("nbdfuse") and os.path.exists("/dev/fuse"):
        found.append("nbdkit")
    return found


def over(window: LoopWindow, scratch: Scratch, undo: contextlib.ExitStack) -> Overlay | None:
    """An overlay over a window; what takes it apart goes into `undo`. None where none can be made.

    Raises ToolFailed and ResourcesExhausted when it should work and does not.
    """
    found = ways() if scratch.bytes_max > 0 else []
    if not found:
        return None
    make = _by_device_mapper if found[0] == "device-mapper" else _by_nbdkit
    with contextlib.ExitStack() as steps:
        overlay = make(window, scratch, steps)
        undo.enter_context(steps.pop_all())
    return overlay


def full(scratch: Scratch) -> ToolFailed:
    """What to say of an overlay that is full: it is the station's setting, never the drive's fault."""
    return ToolFailed(
        f"replaying the volume's log takes more than the {scratch.bytes_max:,} bytes that an overlay may "
        "have here: raise drives.overlay_bytes_max, restart, and lift the hold"
    )


# -- the device mapper ----------------------------------------------------------------------------


def _has_snapshots() -> bool:
    if shutil.which("modprobe"):
        run("modprobe", "-q", "dm-snapshot")
    return os.path.exists(_CONTROL) and "snapshot" in run("dmsetup", "targets").out.split()


def _by_device_mapper(window: LoopWindow, scratch: Scratch, undo: contextlib.ExitStack) -> Overlay:
    store = _scratch_file(scratch, undo)
    name = f"{scratch.mark}{os.getpid()}-{next(_counter)}"
    sectors = block.size_bytes(window.fd) // _SECTOR
    table = f"0 {sectors} snapshot {window.path} {store.path} N {_CHUNK_SECTORS}"
    undo.callback(_remove_mapping, name)
    _dmsetup("create", name, _NO_WAIT, "--table", table)
    number = _dmsetup("info", "-c", "--noheadings", "-o", "major,minor", "--separator", ":", name)
    major, minor = map(int, number.strip().split(":"))
    return Overlay(block.node_by_number(major, minor), lambda: _overflowed(name))


def _scratch_file(scratch: Scratch, undo: contextlib.ExitStack) -> LoopWindow:
    """A loop device over a nameless file that has all of its room already."""
    try:
        os.makedirs(scratch.folder, mode=0o700, exist_ok=True)
        fd = os.open(scratch.folder, os.O_TMPFILE | os.O_RDWR | os.O_CLOEXEC, 0o600)
        undo.callback(os.close, fd)
        os.posix_fallocate(fd, 0, scratch.bytes_max)
    except OSError as error:
        raise ResourcesExhausted(
            f"no room for an overlay of {scratch.bytes_max:,} bytes in {scratch.folder}: {error.strerror}"
        ) from error
    store = block.attach_writable(fd, _SECTOR)
    undo.callback(os.close, store.fd)
    return store


def _overflowed(name: str) -> bool:
    return bool(re.search(r"\b(Invalid|Overflow)\b", _dmsetup("status", name)))


def _remove_mapping(name: str) -> None:
    run("dmsetup", "remove", "--retry", _NO_WAIT, name)


def _dmsetup(*arguments: str) -> str:
    ended = run("dmsetup", *arguments)
    if ended.code != 0:
        raise ToolFailed(f"dmsetup {arguments[0]} ended with {ended.code}: {ended.words}")
    return ended.out


def remove_left_behind(scratch: Scratch) -> list[str]:
    """Take apart what a dead process left of its overlays; what it was, in words."""
    if not (shutil.which("dmsetup") and os.path.exists(_CONTROL)):
        return []
    names = [line.split()[0] for line in run("dmsetup", "ls").out.splitlines() if line.strip()]
    said = []
    for name in names:
        if name.startswith(scratch.mark):
            _remove_mapping(name)
            said.append(f"removed the overlay {name}")
    return said


# -- nbdkit ---------------------------------------------------------------------------------------


def _by_nbdkit(window: LoopWindow, scratch: Scratch, undo: contextlib.ExitStack) -> Overlay:
    space = _memory(scratch, undo)
    served = _serve(window, space, undo)
    try:
        fd = os.open(served, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        raise ToolFailed(f"the overlay cannot be opened: {error.strerror}") from error
    undo.callback(os.close, fd)
    device = block.attach_writable(fd, block.sector_bytes(window.fd))
    undo.callback(_let_loop_go, device)
    return Overlay(device.path, lambda: _has_no_room(space))


def _memory(scratch: Scratch, undo: contextlib.ExitStack) -> str:
    """A memory file system, so that the bound holds to the byte and a crash leaves nothing to remove."""
    space = mounts.make_mount_folder(scratch.folder, "overlay")
    undo.callback(mounts.let_go, space)
    options = f"nosuid,nodev,noexec,mode=700,size={scratch.bytes_max}"
    ended = run("mount", "-i", "-t", "tmpfs", "-o", options, "none", space)
    if ended.code != 0:
        raise ToolFailed(f"no memory can be had for an overlay: {ended.words}")
    return space


def _serve(window: LoopWindow, space: str, undo: contextlib.ExitStack) -> str:
    """Start serving the overlay; the file that it is served as."""
    folder = os.path.join(space, "disk")
    os.mkdir(folder, 0o700)
    cow = ("nbdkit", "-s", "--exit-with-parent", "--log=null", "--filter=cow", "file", window.path)
    small_blocks = f"cow-block-size={_CHUNK_SECTORS * _SECTOR}"
    server = start("nbdfuse", folder, "--command", *cow, small_blocks, TMPDIR=space)
    undo.callback(_end, server)
    undo.callback(mounts.unmount, folder)
    served = os.path.join(folder, "nbd")
    until = time.monotonic() + _SERVE_S
    while not os.path.exists(served):
        if server.poll() is not None:
            said = on_one_line(server.stderr.read()) if server.stderr else ""
            raise ToolFailed(f"nbdfuse ended with {server.returncode}: {said}")
        if time.monotonic() > until:
            raise ToolFailed(f"nbdfuse serves nothing after {_SERVE_S:g} s")
        time.sleep(_PAUSE_S)
    return served


def _end(server: subprocess.Popen[bytes]) -> None:
    """Wait for a server whose mount is gone; kill it if that does not end it."""
    with contextlib.suppress(subprocess.TimeoutExpired):
        server.wait(_SERVE_S / 4)
    give_up(server)


def _let_loop_go(device: LoopWindow) -> None:
    """The kernel detaches it a moment after its last user; only then the file below can be let go of."""
    os.close(device.fd)
    until = time.monotonic() + _SERVE_S / 4
    while block.loop_node(device.path) is not None and time.monotonic() < until:
        time.sleep(_PAUSE_S)


def _has_no_room(space: str) -> bool:
    return os.statvfs(space).f_bavail <= _ROOM_LEFT
