"""Mounting a volume unaltered, and letting go of it.

A plain read-only mount still replays the log of ext4, XFS and Btrfs onto the drive, and mounting
without replay hides what the log holds. On a device that refuses writes these drivers refuse to
mount a volume whose log is not empty instead, so the refusal is taken as the answer.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import time
from collections.abc import Callable, Iterator, Sequence

import structlog

from ingestd.core.drive import VolumeFlaw
from ingestd.core.names import shortened
from ingestd.drives.file_systems import Driver, driver_for
from ingestd.drives.programs import Ended, run
from ingestd.ports import ResourcesExhausted, ToolFailed

OPTIONS = "ro,nosuid,nodev,noexec,noatime,nosymfollow"
_PROGRAM_OPTIONS = "ro,nosuid,nodev,noexec,noatime"

_NOT_CLEAN = re.compile(r"recovery required|log replay required|cannot mount \S+ read-only", re.IGNORECASE)
_NO_EVIDENCE = re.compile(
    r"wrong fs type, bad option, bad superblock on [^,]*, missing codepage or helper program, or other error"
    r"|some data may be corrupt|: device (label|fsid) .*",
    re.IGNORECASE,
)
"""What mount says of every refusal it was given no reason for; drivers' remarks that are no reason, one
of them with the volume's label, which may be any words."""
_STATION = re.compile(
    r"unsupported|not supported|unknown|unrecogni[sz]ed|codepage|charset|\bnls\b|\boptions?\b|\bparameter\b"
    r"|cannot load|failed to load|safely mounted by this kernel|only pagesize|bad block ?size|\bbusy\b",
    re.IGNORECASE,
)
"""A driver that does not know what it meets, or lacks what it needs."""
_DAMAGED = re.compile(
    r"corrupt|bad superblock|i/o error|input/output error|structure needs cleaning|bad message"
    r"|(can't|unable to|failed to|error|cannot) (read|find)|error reading|bad magic|wrong fs magic"
    r"|invalid|bogus|bad geometry|checksum|\bcrc\b|inconsistent|root inode",
    re.IGNORECASE,
)
"""A driver that knows the file system, as probing did, and finds it broken or cannot read it."""
_WORDS_MAX = 400
REPLAY_S = 900.0
"""How long a mount may take that replays a log: its driver reads and sorts all of it first."""
_UNMOUNT_S = 3.0
_PAUSE_S = 0.05


def make_mount_folder(parent: str, stem: str) -> str:
    """A new empty folder `<stem>-<n>` below `parent`, which is made if need be. Raises ToolFailed."""
    try:
        os.makedirs(parent, mode=0o700, exist_ok=True)
        parent = os.path.realpath(parent)
        for number in range(1, 1000):
            with contextlib.suppress(FileExistsError):
                folder = os.path.join(parent, f"{stem}-{number}")
                os.mkdir(folder, 0o700)
                return folder
    except OSError as error:
        raise ToolFailed(f"no folder to mount at can be made in {parent}: {error.strerror}") from error
    raise ToolFailed(f"{parent} is full of mount folders {stem}-…: stop the daemon and empty it")


_UNCLEAN = "not cleanly unmounted"
_IN_DOUBT = "it cannot be mounted, and why is not known"


def mount(device: str, file_system: str, folder: str, beat: Callable[[], None] | None = None) -> str | None:
    """Mount a device at an empty folder; None when done, else why it cannot be.

    With `beat`, which is called about once a second, it may take as long as replaying a log takes.

    Never with an option that leaves out the replay of a log. What the station itself lacks (a
    driver, a feature of one, an option of mount, memory) is never laid at the drive's door: it raises
    ToolFailed or ResourcesExhausted. A refusal that leaves open whose fault it is `is_in_doubt`.
    """
    driver = driver_for(file_system)
    with kernel_log(os.path.basename(device)) as log:
        if driver.is_program:
            ended = _mount_by_program(driver, device, folder)
        else:
            ended = _mount(driver, device, folder, beat)
        if ended.code == 0:
            return None
        said = log()
    _blame_station(folder, ended)
    words = ended.words.removeprefix(f"mount: {folder}: ").partition(" dmesg(1) may")[0]
    return _refusal(driver.name, [words, *said])


def _mount(driver: Driver, device: str, folder: str, beat: Callable[[], None] | None) -> Ended:
    options = f"{OPTIONS},{driver.options}" if driver.options else OPTIONS
    arguments = ("-i", "-t", driver.name, "-o", options, device, folder)
    return run("mount", *arguments) if beat is None else run("mount", *arguments, limit_s=REPLAY_S, beat=beat)


def _mount_by_program(driver: Driver, device: str, folder: str) -> Ended:
    """Let a program serve the mount, which then gets those of our options that are the kernel's alone."""
    options = f"{_PROGRAM_OPTIONS},{driver.options}" if driver.options else _PROGRAM_OPTIONS
    ended = run(driver.name, "-o", options, device, folder)
    if ended.code != 0:
        return ended
    ended = run("mount", "-i", "-o", f"remount,bind,{OPTIONS}", folder)
    if ended.code != 0:
        unmount(folder)
    return ended


def _refusal(driver: str, said: Sequence[str]) -> str:
    """What is wrong with the volume, as far as it can be told. Raises ToolFailed where what was said is
    evidence against the station."""
    words = "; ".join(said)
    shown = f"the driver said: {shortened(words, _WORDS_MAX)}"
    if _NOT_CLEAN.search(words):
        return not_cleanly_unmounted(shown)
    evidence = "; ".join(_NO_EVIDENCE.sub("", one) for one in said)
    if _STATION.search(evidence):
        raise ToolFailed(
            f"this station's driver for {driver} cannot read the volume: "
            f"install a newer kernel, or the module that is missing ({shown})"
        )
    if _DAMAGED.search(evidence):
        return f"it cannot be mounted, so it is damaged ({shown})"
    return f"{_IN_DOUBT}: the station's kernel log may say more ({shown})"


def is_unclean(problem: str) -> bool:
    """Whether this problem of a volume is one that `not_cleanly_unmounted` has worded."""
    return problem.startswith(_UNCLEAN)


def is_in_doubt(problem: str) -> bool:
    """Whether this problem is a refusal to mount of which nobody can tell whose fault it is."""
    return problem.startswith(_IN_DOUBT)


def flaw_of(problem: str) -> VolumeFlaw:
    """Of what kind a problem is that `mount` has worded."""
    if is_unclean(problem):
        return VolumeFlaw.UNCLEAN
    return VolumeFlaw.IN_DOUBT if is_in_doubt(problem) else VolumeFlaw.UNREADABLE


def not_cleanly_unmounted(evidence: str) -> str:
    """The problem of a volume whose log is not empty, in words for the customer."""
    return (
        f"{_UNCLEAN}: its log holds changes that only a writable mount would bring in, "
        f"and without them files would be missing; it must be unmounted properly and sent again ({evidence})"
    )


def _blame_station(folder: str, ended: Ended) -> None:
    """Raise if mounting could not have worked whatever the drive is like."""
    if os.strerror(errno.ENOMEM) in ended.words:
        raise ResourcesExhausted(f"mounting ended with: {ended.words}")
    if complaint := trial_mount(folder):
        raise ToolFailed(f"this station cannot mount anything with {OPTIONS}: {complaint}")


def trial_mount(folder: str) -> str | None:
    """Mount an empty memory file system with our options and undo it; None if that works, else why not."""
    ended = run("mount", "-i", "-t", "tmpfs", "-o", f"{OPTIONS},size=4k", "none", folder)
    if ended.code == 0:
        unmount(folder)
        return None
    return ended.words or f"mount ended with {ended.code}"


@contextlib.contextmanager
def kernel_log(device_name: str) -> Iterator[Callable[[], list[str]]]:
    """Hands out what the kernel's log says from here on about a device; nothing where it is closed to us."""
    try:
        fd = os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        yield list
        return
    try:
        os.lseek(fd, 0, os.SEEK_END)
        yield lambda: _messages_about(fd, device_name)
    finally:
        os.close(fd)


def _messages_about(fd: int, device_name: str, records_max: int = 1000) -> list[str]:
    found = []
    about = re.compile(rf"\b{re.escape(device_name)}\b")
    for _ in range(records_max):
        try:
            record = os.read(fd, 8192).decode("utf-8", "replace")
        except BrokenPipeError:
            continue  # older records were overwritten; the next read goes on behind them
        except OSError:
            break
        message = record.partition(";")[2].partition("\n")[0]
        if about.search(message):
            found.append(message)
    return found


# -- letting go -----------------------------------------------------------------------------------


def unmount(folder: str) -> bool:
    """Unmount what is mounted at a folder; False when it was busy and goes only with its last user.

    `folder` is given free of links, so that nothing on a mounted drive has to be looked at for it.
    """
    until = time.monotonic() + _UNMOUNT_S
    while folder in mount_points():
        ended = run("umount", "-i", folder)
        if ended.code != 0 and time.monotonic() > until:
            return _unmount_lazily(folder, ended.words)
        if ended.code != 0:
            time.sleep(_PAUSE_S)
    return True


def _unmount_lazily(folder: str, words: str) -> bool:
    log = structlog.get_logger("ingestd.drives")
    lazy = run("umount", "-i", "-l", folder)
    log.warning("volume_unmounted_lazily", mount=folder, said=words, done=lazy.code == 0)
    return False


def mount_points() -> list[str]:
    """All mount points of this process, the latest first, as often as something is mounted there."""
    return [_point(fields) for fields in reversed(_mount_table())]


def mount_point_of(device: str) -> str | None:
    """Where something has mounted this very device node, if anywhere."""
    number = os.stat(device).st_rdev
    marks = {f"{os.major(number)}:{os.minor(number)}".encode(), os.fsencode(device)}
    for fields in _mount_table():
        source = fields[fields.index(b"-") + 2]  # Btrfs hides the device's number, not its name
        if marks & {fields[2], _unescaped(source)}:
            return _point(fields)
    return None


def is_swap(device: str) -> bool:
    """Whether the kernel swaps to this device node."""
    with open("/proc/swaps", encoding="utf-8") as listing:
        return any(line.split()[:1] == [device] for line in listing)


def mounted(table: str) -> list[tuple[str, str, str]]:
    """Device number, source and mount point of every mount in a table; nothing where we may not look."""
    try:
        rows = _mount_table(table)
    except OSError:
        return []
    return [
        (fields[2].decode(), os.fsdecode(_unescaped(fields[fields.index(b"-") + 2])), _point(fields))
        for fields in rows
    ]


def _point(fields: Sequence[bytes]) -> str:
    return os.fsdecode(_unescaped(fields[4]))


def _mount_table(table: str = "/proc/self/mountinfo") -> list[list[bytes]]:
    """The fields of a table of mounts, as proc(5) numbers them, from 0."""
    with open(table, "rb") as listing:
        return [line.split() for line in listing]


def _unescaped(field: bytes) -> bytes:
    return re.sub(rb"\\([0-7]{3})", lambda match: bytes([int(match[1], 8)]), field)


def let_go(folder: str) -> None:
    """Unmount and remove a mount folder; what does not work is logged, and never stops the rest."""
    log = structlog.get_logger("ingestd.drives")
    try:
        unmount(folder)
        os.rmdir(folder)
    except (OSError, ToolFailed) as error:
        log.warning("volume_not_let_go", mount=folder, error=str(error))
