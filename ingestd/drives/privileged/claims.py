"""Claiming a drive for this station alone, so that nobody can mount the disk or a part of it beside us.

The kernel grants a disk to one holder that asks for it alone (O_EXCL of a block device). Of ours several
may hold the same drive, in one process or in more: an attempt that hangs in the kernel and its
successor, say. So whoever holds a claim has a lock on a file that is named after the disk as well, by
which another of ours tells that the holder is no stranger.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import time
from collections.abc import Iterator

from ingestd.drives import block, mounts
from ingestd.drives.privileged.verbs import DeviceName
from ingestd.ports import ToolFailed

_WAIT_S = 0.5
_WINDOW_GOES_S = 20.0
"""How long a window of ours is waited for that somebody, such as udev, still reads: it keeps our claim.
Shorter than the verb's limit."""
_PAUSE_S = 0.02


def claim(device: DeviceName, node: str, folder: str, undo: contextlib.ExitStack) -> int:
    """A descriptor of the disk at a node, for us alone; `undo` takes what lets it go again.

    `folder` is where the locks lie. Raises ToolFailed when something else uses the disk, and what
    opening a device raises.
    """
    refuse_if_in_use(node)
    lock = _lock_file(device, folder)
    undo.callback(os.close, lock)
    for _ in _tries(node):
        fd = _open_alone(node)
        if fd is not None:
            undo.callback(os.close, fd)
            fcntl.flock(lock, fcntl.LOCK_SH)
            return fd
        if _is_one_of_ours(lock):
            fcntl.flock(lock, fcntl.LOCK_SH)
            fd = block.open_device(node)
            undo.callback(os.close, fd)
            return fd
        time.sleep(_PAUSE_S)  # one of ours may be between its claim and its lock
    raise ToolFailed(
        f"something else has {node} or a part of it in use: stop it, "
        "and keep automounters, LVM and RAID away from the bays"
    )


def _tries(node: str) -> Iterator[None]:
    """As long as it makes sense to try: a moment, counted from when no window of ours was there any more."""
    begun = time.monotonic()
    until = begun + _WAIT_S
    while (now := time.monotonic()) < until:
        yield
        if _has_window(node):
            until = min(now + _WAIT_S, begun + _WINDOW_GOES_S)


def _has_window(node: str) -> bool:
    """Whether there is a read-only loop device over the disk that goes with its last user, as ours do."""
    return any(
        window.backing == node and window.read_only and window.detached for window in block.loop_nodes()
    )


def _open_alone(node: str) -> int | None:
    """The device, None when somebody else has it."""
    try:
        return os.open(node, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_EXCL)
    except OSError as error:
        if error.errno == errno.EBUSY:
            return None
        raise block.translated(error, node) from error


def _lock_file(device: DeviceName, folder: str) -> int:
    path = os.path.join(folder, f"{device.major}-{device.minor}")
    try:
        os.makedirs(folder, mode=0o700, exist_ok=True)
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    except OSError as error:
        if block.is_shortage(error):
            raise block.translated(error, path) from error
        raise ToolFailed(f"{path} cannot be written: {error.strerror}; make {folder} writable") from error


def _is_one_of_ours(lock: int) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    fcntl.flock(lock, fcntl.LOCK_UN)
    return False


def refuse_if_in_use(node: str) -> None:
    """Raise ToolFailed if anything that can be seen uses the disk or one of its partitions."""
    for path in (node, *block.partition_nodes(node)):
        if place := mounts.mount_point_of(path):
            raise ToolFailed(
                f"something else has mounted {path} at {place}: "
                "unmount it there, and keep automounters away from the bays"
            )
        if above := block.holders(path):
            raise ToolFailed(
                f"{path} is in use by {', '.join(above)}: "
                "stop that array or volume group, and keep their automatic assembly away from the bays"
            )
        if mounts.is_swap(path):
            raise ToolFailed(f"{path} is in use as swap space: stop that (swapoff {path})")
