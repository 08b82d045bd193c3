"""Block devices through the kernel's own doors: sysfs to look, ioctl to verify, seal and attach.

The numbers are those of linux/fs.h, linux/blkpg.h and linux/loop.h. Nothing here reads from a device.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import functools
import hashlib
import os
import re
import struct
import sys
import time
from dataclasses import dataclass

from ingestd.ports import DriveGoneError, DriveUnreadable, PortError, ResourcesExhausted, ToolFailed

_BLKROSET = 0x125D
_BLKFLSBUF = 0x1261
_BLKSSZGET = 0x1268
_BLKGETSIZE64 = 0x80081272
_BLKGETDISKSEQ = 0x80081280

_LOOP_CLR_FD = 0x4C01
_LOOP_CONFIGURE = 0x4C0A
_LOOP_CTL_GET_FREE = 0x4C82
_LO_FLAGS_READ_ONLY = 1
_LO_FLAGS_AUTOCLEAR = 4
_LO_FLAGS_DIRECT_IO = 16
_LOOP_INFO64 = struct.Struct("=QQQQQIIII64s64s32sQQ")
_LOOP_CONFIG = struct.Struct(f"=II{_LOOP_INFO64.size}s8Q")

LOOP_CONTROL = "/dev/loop-control"
BOOT_ID = "/proc/sys/kernel/random/boot_id"
_SYS_BLOCK = "/sys/block"
_SYS_NUMBERS = "/sys/dev/block"
_ATTACH_TRIES = 50
_ATTACH_PAUSE_S = 0.02

_GONE = (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOMEDIUM)
_SHORTAGES = (errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.ENOBUFS)
_MEDIUM = (
    errno.EIO,
    errno.ENODATA,
    errno.EREMOTEIO,
    errno.ETIMEDOUT,
    errno.ENOLINK,
    errno.EILSEQ,
    errno.EBADE,
    errno.EBADMSG,
    errno.EUCLEAN,
    errno.ESTALE,
)
"""What Linux answers when the medium, the link to it or the file system on it is at fault."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopNode:
    """An attached loop device as sysfs shows it."""

    path: str
    backing: str
    """What it was made over: a file, or another device. Resolved by the kernel, free of links."""
    detached: bool
    """It goes as soon as its last user does."""
    read_only: bool
    size_bytes: int
    generation: int
    """The kernel's disk sequence number: every attaching gives another one."""


def loop_nodes() -> list[LoopNode]:
    """All attached loop devices, by number. Raises ToolFailed without a sysfs."""
    try:
        names = [name for name in os.listdir(_SYS_BLOCK) if re.fullmatch(r"loop\d+", name)]
    except OSError as error:
        raise ToolFailed(f"{_SYS_BLOCK} cannot be listed: {error.strerror}; is sysfs mounted?") from error
    nodes = (loop_node(f"/dev/{name}") for name in sorted(names, key=lambda name: int(name[4:])))
    return [node for node in nodes if node is not None]


def loop_node(path: str) -> LoopNode | None:
    """The loop device at `path` (such as `/dev/loop3`), None when nothing is attached to it.

    Also None while it is changing hands, since facts of two different drives must not be mixed.
    """
    folder = os.path.join(_SYS_BLOCK, os.path.basename(path))
    try:
        generation = _line(folder, "diskseq")
        node = LoopNode(
            path=path,
            backing=os.fsdecode(_line(folder, "loop/backing_file")),
            detached=_line(folder, "loop/autoclear") == b"1",
            read_only=_line(folder, "ro") == b"1",
            size_bytes=512 * int(_line(folder, "size")),
            generation=int(generation),
        )
        return node if _line(folder, "diskseq") == generation else None
    except OSError as error:
        if is_shortage(error):
            raise translated(error, path) from error
        return None


def node_by_number(major: int, minor: int) -> str:
    """The node of a block device, such as `/dev/sdc`. Raises DriveGoneError when there is none."""
    try:
        name = os.path.basename(os.readlink(f"{_SYS_NUMBERS}/{major}:{minor}"))
    except OSError as error:
        raise translated(error, f"the device {major}:{minor}") from error
    return f"/dev/{name}"


def number_and_sequence(path: str) -> tuple[int, int, int]:
    """Major, minor and disk sequence number of the disk at a node. Raises DriveGoneError, ToolFailed."""
    folder = os.path.join(_SYS_BLOCK, os.path.basename(path))
    try:
        major, minor = map(int, _line(folder, "dev").split(b":"))
        return major, minor, int(_line(folder, "diskseq"))
    except OSError as error:
        raise translated(error, path) from error


def partition_nodes(path: str) -> list[str]:
    """The kernel's own nodes for the partitions of the disk at a node; none where it reads no tables."""
    name = os.path.basename(path)
    with contextlib.suppress(OSError), os.scandir(os.path.join(_SYS_BLOCK, name)) as entries:
        found = [entry.name for entry in entries if entry.name.startswith(name)]
        return [f"/dev/{part}" for part in sorted(found) if _is_partition(name, part)]
    return []


def _is_partition(disk: str, part: str) -> bool:
    return os.path.exists(os.path.join(_SYS_BLOCK, disk, part, "partition"))


def holders(path: str) -> list[str]:
    """Names of the devices that the kernel has built upon a disk or partition, such as `dm-0` or `md127`."""
    with contextlib.suppress(OSError):
        return sorted(os.listdir(os.path.join("/sys/class/block", os.path.basename(path), "holders")))
    return []


def generation_of(sequence: int) -> int:
    """A number for a disk sequence number that another boot, which counts anew, does not give again.

    21 bits of a hash of the boot's id above the sequence number's 32: 53, which every consumer of JSON
    keeps exact. Within one boot no two sequence numbers give the same. Raises ToolFailed.
    """
    return (_boot_mark(BOOT_ID) << 32) + sequence


@functools.cache
def _boot_mark(path: str) -> int:
    try:
        with open(path, "rb") as file:
            boot = file.read().strip()
    except OSError as error:
        raise ToolFailed(f"{path} cannot be read: {error.strerror}; is proc mounted?") from error
    return int.from_bytes(hashlib.blake2b(boot, digest_size=3).digest()) >> 3


def _line(folder: str, name: str) -> bytes:
    fd = os.open(os.path.join(folder, name), os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.read(fd, 8192).removesuffix(b"\n")
    finally:
        os.close(fd)


def is_shortage(error: OSError) -> bool:
    """Whether it is the station itself that ran out of descriptors or memory."""
    return error.errno in _SHORTAGES


def translated(error: OSError, what: str) -> PortError:
    """The port's error for what the kernel said about a device.

    Only what a medium gives is laid at the drive's door; what nobody foresaw is the station's.
    """
    text = f"{what}: {error.strerror or error}"
    if error.errno in _GONE:
        return DriveGoneError(text)
    if is_shortage(error):
        return ResourcesExhausted(text)
    if error.errno in (errno.EACCES, errno.EPERM):
        return ToolFailed(f"{text}; the daemon has to run as root to open drives")
    if error.errno in _MEDIUM:
        return DriveUnreadable(text)
    return ToolFailed(f"{text}; this says nothing about the drive: look into the station's kernel log")


def at_fault(error: OSError, what: str) -> str:
    """In words, what is wrong with the drive; raises the port's error where it is the station's."""
    said = translated(error, what)
    if isinstance(said, (ToolFailed, ResourcesExhausted)):
        raise said from error
    return str(said)


def open_device(path: str, access: int = os.O_RDONLY) -> int:
    """A descriptor for reading. Raises DriveGoneError, DriveUnreadable, ToolFailed, ResourcesExhausted."""
    try:
        return os.open(path, access | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise translated(error, path) from error


def disk_sequence(fd: int) -> int:
    """The sequence number of the very disk behind this descriptor, whatever its node is called now."""
    return _number(fd, _BLKGETDISKSEQ)


def sequence_behind(fd: int, node: str) -> int:
    """The same, with what sysfs has in its place where the kernel does not tell (before Linux 5.15)."""
    folder = os.path.join(_SYS_BLOCK, os.path.basename(node))
    if os.path.exists(os.path.join(folder, "diskseq")):
        return disk_sequence(fd)
    try:
        return os.stat(folder).st_ino & 0xFFFFFFFF
    except OSError as error:
        raise translated(error, node) from error


def size_bytes(fd: int) -> int:
    return _number(fd, _BLKGETSIZE64)


def sector_bytes(fd: int) -> int:
    """The logical sector, in which partition tables count."""
    return int.from_bytes(_ioctl(fd, _BLKSSZGET, bytes(4)), sys.byteorder)


def set_sealed(fd: int, value: bool) -> None:
    """Make the device refuse writes, or accept them again; the flag outlives this descriptor."""
    _ioctl(fd, _BLKROSET, struct.pack("=i", int(value)))


def drop_buffers(fd: int) -> None:
    """Forget what the kernel has buffered of the device itself (not of files in a file system on it)."""
    _ioctl(fd, _BLKFLSBUF, 0)


def _number(fd: int, request: int) -> int:
    return int.from_bytes(_ioctl(fd, request, bytes(8)), sys.byteorder)


def _ioctl(fd: int, request: int, argument: bytes | int) -> bytes:
    try:
        answer = fcntl.ioctl(fd, request, argument)
    except OSError as error:
        raise translated(error, f"request {request:#x} to the device") from error
    return answer if isinstance(answer, bytes) else b""


@dataclass(frozen=True, slots=True)
class LoopWindow:
    """A loop device of ours over a drive or an overlay. It goes with its last user."""

    path: str
    fd: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """A stretch of a device; without a length it goes on to the end."""

    offset_bytes: int = 0
    length_bytes: int = 0


WHOLE = Extent()


def attach_read_only(drive_fd: int, extent: Extent = WHOLE) -> LoopWindow:
    """A read-only loop device over (a stretch of) the disk behind `drive_fd`; close its `fd` to let it go.

    It is made over the descriptor, not over a name, so that it is the disk that was verified, and has
    the disk's own sectors. The kernel detaches it when neither the descriptor nor a mount uses it: a
    crash leaves none behind. Raises ToolFailed, ResourcesExhausted, DriveGoneError, DriveUnreadable.
    """
    # Direct, so that the kernel does not keep everything that is read a second time for the drive.
    flags = _LO_FLAGS_READ_ONLY | _LO_FLAGS_AUTOCLEAR | _LO_FLAGS_DIRECT_IO
    return _attach(drive_fd, extent, flags, sector_bytes(drive_fd))


def attach_writable(file_fd: int, sector_bytes: int) -> LoopWindow:
    """A loop device over a file of the station's own (never a drive), under the same rules.

    Its node may have been another's, who was killed and has left it sealed.
    """
    window = _attach(file_fd, WHOLE, _LO_FLAGS_AUTOCLEAR, sector_bytes)
    try:
        set_sealed(window.fd, False)
    except BaseException:
        os.close(window.fd)
        raise
    return window


def _attach(backing_fd: int, extent: Extent, flags: int, sector_bytes: int) -> LoopWindow:
    places = (0, 0, 0, extent.offset_bytes, extent.length_bytes)
    info = _LOOP_INFO64.pack(*places, 0, 0, 0, flags, b"ingestd", b"", b"", 0, 0)
    configuration = _LOOP_CONFIG.pack(backing_fd, sector_bytes, info, *(0,) * 8)
    for _ in range(_ATTACH_TRIES):
        path = f"/dev/loop{_free_loop_number()}"
        fd = _open_fresh(path, writable=not flags & _LO_FLAGS_READ_ONLY)
        if fd is None:
            continue
        try:
            fcntl.ioctl(fd, _LOOP_CONFIGURE, configuration)
        except OSError as error:
            os.close(fd)
            if error.errno != errno.EBUSY:
                raise translated(error, "a loop device over the drive") from error
            time.sleep(_ATTACH_PAUSE_S)  # another process took that number first
        else:
            return LoopWindow(path, fd)
    raise ToolFailed("no free loop device could be had: another program takes each of them first")


def _free_loop_number() -> int:
    try:
        control = os.open(LOOP_CONTROL, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        raise ToolFailed(
            f"{LOOP_CONTROL}: {error.strerror}; load the kernel module loop, and run the daemon as root"
        ) from error
    try:
        return fcntl.ioctl(control, _LOOP_CTL_GET_FREE)
    except OSError as error:
        raise ToolFailed(f"{LOOP_CONTROL} gives no free device: {error.strerror}") from error
    finally:
        os.close(control)


def _open_fresh(path: str, *, writable: bool) -> int | None:
    """The device, or None while its node has yet to be made."""
    try:
        # Through a descriptor opened for reading the kernel attaches read-only devices only.
        return open_device(path, os.O_RDWR if writable else os.O_RDONLY)
    except DriveGoneError:
        time.sleep(_ATTACH_PAUSE_S)
        return None


def detach(path: str) -> bool:
    """Detach a loop device that nobody uses any more; whether it is gone."""
    with contextlib.suppress(OSError, PortError):
        fd = open_device(path)
        try:
            fcntl.ioctl(fd, _LOOP_CLR_FD)
        finally:
            os.close(fd)
    return loop_node(path) is None
