"""The disks that the kernel shows, with what udev knows of each; and who else uses one.

Only sysfs, procfs and udev's database are looked into: nothing here opens a disk, or waits for one.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

import pyudev

from ingestd.drives import block, mounts
from ingestd.ports import ToolFailed

_SYS_BLOCK = "/sys/block"
_UDEV_DATA = "/run/udev/data"
_SECTOR_BYTES = 512
"""The unit of `size` in sysfs, whatever the disk's own sectors are (Documentation/ABI/stable/sysfs-block)."""

_COMPOSED = re.compile(r"dm-|md|zram|ram|sr|fd|nbd|drbd|bcache|zd|rbd")
"""Nodes that are made of others, or have no drive behind them that could be pulled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Disk:
    """One whole disk, as it was in one moment."""

    node: str
    """Such as `/dev/sdb`."""
    folder: str
    """Its folder in sysfs, free of links."""
    number: str
    """`major:minor`."""
    sequence: int
    """The kernel's disk sequence number; before Linux 5.15 a number that the folder in sysfs has for as long
    as the device is plugged in."""
    size_bytes: int
    rotational: bool | None = None
    properties: Mapping[str, str] = field(default_factory=dict)
    """udev's."""

    @property
    def name(self) -> str:
        return os.path.basename(self.folder)

    @property
    def parts(self) -> list[str]:
        """Folders of its partitions in sysfs."""
        with contextlib.suppress(OSError):
            inside = (os.path.join(self.folder, name) for name in sorted(os.listdir(self.folder)))
            return [folder for folder in inside if os.path.exists(os.path.join(folder, "partition"))]
        return []


class Disks:
    """Looks at the disks. What has not changed since the look before is not read again."""

    def __init__(self, context: pyudev.Context) -> None:
        self._context = context
        self._known: dict[str, tuple[_Mark, Disk]] = {}

    def now(self) -> Iterator[Disk]:
        """Every disk that udev is done with, in the order of their names; none without a medium.

        One that udev has yet to deal with is left out: its event is still to come. Raises ToolFailed when
        there is no sysfs to look into, and ResourcesExhausted.
        """
        try:
            names = sorted(name for name in os.listdir(_SYS_BLOCK) if not _COMPOSED.match(name))
        except OSError as error:
            raise ToolFailed(f"{_SYS_BLOCK} cannot be listed: {error.strerror}; is sysfs mounted?") from error
        known, self._known = self._known, {}
        for name in names:
            try:
                found = self._look_at(name, known.get(name))
            except (OSError, ValueError, KeyError, pyudev.DeviceNotFoundError) as error:
                if isinstance(error, OSError) and block.is_shortage(error):
                    raise block.translated(error, name) from error
                continue  # it has just gone
            if found is not None:
                self._known[name] = found
                yield found[1]

    def _look_at(self, name: str, known: tuple[_Mark, Disk] | None) -> tuple[_Mark, Disk] | None:
        link = os.path.join(_SYS_BLOCK, name)
        sequence = sequence_now(link)
        if sequence is None:
            return None
        number = _line(link, "dev")
        mark = _Mark(sequence, _line(link, "size"), *_database_entry(number))
        if known is not None and known[0] == mark:
            return known
        disk = self._read(os.path.realpath(link), number, mark)
        same = disk is not None and sequence_now(link) == sequence and _is_about(disk)
        return (mark, disk) if disk is not None and same else None

    def _read(self, folder: str, number: str, mark: _Mark) -> Disk | None:
        device = pyudev.Devices.from_sys_path(self._context, folder)
        if not device.is_initialized:
            return None
        return Disk(
            node=device.device_node,
            folder=folder,
            number=number,
            sequence=mark.sequence,
            size_bytes=_SECTOR_BYTES * int(mark.size),
            rotational=_yes_or_no(folder, "queue/rotational"),
            properties=dict(device.properties),
        )


class _Mark(NamedTuple):
    """What changes whenever a disk, or what udev knows of it, does."""

    sequence: int
    size: str
    entry: int
    written_ns: int


def _database_entry(number: str) -> tuple[int, int]:
    """File and time of udev's entry about a disk: each is written anew, under another name first."""
    try:
        facts = os.stat(f"{_UDEV_DATA}/b{number}")
    except FileNotFoundError:
        return 0, 0
    return facts.st_ino, facts.st_mtime_ns


def sequence_of(folder: str) -> int:
    """What changes when another disk takes this one's place. Raises OSError when it is gone."""
    with contextlib.suppress(FileNotFoundError):
        return int(_line(folder, "diskseq"))
    return os.stat(folder).st_ino & 0xFFFFFFFF


def sequence_now(folder: str) -> int | None:
    """The sequence number of what is plugged in there now; None when nothing is, or only its last users keep
    it from going."""
    with contextlib.suppress(OSError, ValueError):
        if int(_line(folder, "size")) and not _is_detached_loop(folder):
            return sequence_of(folder)
    return None


def _is_about(disk: Disk) -> bool:
    """Whether udev's properties are of this disk and not of the one before it under the same name.

    udev's own rules link each disk by its sequence number, so its database says which disk it saw.
    """
    links = disk.properties.get("DEVLINKS", "").split()
    seen = [link.rpartition("/")[2] for link in links if "/by-diskseq/" in link]
    return not seen or str(disk.sequence) in seen


def _is_detached_loop(folder: str) -> bool:
    """A loop device that goes with its last user: one unplugged while in use, or a window of ours."""
    with contextlib.suppress(OSError):
        return _line(folder, "loop/autoclear") == "1"
    return False


def _yes_or_no(folder: str, name: str) -> bool | None:
    with contextlib.suppress(OSError):
        return _line(folder, name) == "1"
    return None


def _line(folder: str, name: str) -> str:
    fd = os.open(f"{folder}/{name}", os.O_RDONLY | os.O_CLOEXEC)
    try:
        return os.read(fd, 4096).decode("ascii", "replace").strip()
    finally:
        os.close(fd)


# -- who else uses it -------------------------------------------------------------------------------


def other_user(disk: Disk, tables: Users) -> str | None:
    """In words, who has the disk or a part of it in use beside us: a mount, swap, an array, a volume manager.

    What we do ourselves goes through loop devices over it, and is none of these.
    """
    folders = [disk.folder, *disk.parts]
    numbers, nodes = {disk.number}, {disk.node}
    for folder in disk.parts:
        with contextlib.suppress(OSError):
            numbers.add(_line(folder, "dev"))
        nodes.add(f"/dev/{os.path.basename(folder)}")
    for folder in folders:
        if holders := _holders(folder):
            return f"/dev/{os.path.basename(folder)} is held by {', '.join(holders)}"
    return tables.user_of(numbers, nodes)


def _holders(folder: str) -> list[str]:
    with contextlib.suppress(OSError):
        return sorted(os.listdir(os.path.join(folder, "holders")))
    return []


@dataclass(frozen=True, slots=True)
class Users:
    """The mounts and swap areas of one moment."""

    mounts: tuple[tuple[str, str, str], ...]
    """Device number, source and mount point of each."""
    swaps: tuple[str, ...]

    @classmethod
    def now(cls) -> Users:
        """Those of this process and of the station at large, whose mounts we may not see otherwise."""
        found = [*mounts.mounted("/proc/self/mountinfo"), *mounts.mounted("/proc/1/mountinfo")]
        return cls(tuple(dict.fromkeys(found)), tuple(_swaps()))

    def user_of(self, numbers: Collection[str], nodes: Collection[str]) -> str | None:
        for number, source, point in self.mounts:
            if number in numbers or source in nodes:
                return f"{source} is mounted at {point}"
        swap = next((node for node in self.swaps if node in nodes), None)
        return f"{swap} is swap space" if swap else None


def _swaps() -> list[str]:
    with contextlib.suppress(OSError), open("/proc/swaps", encoding="utf-8", errors="replace") as listing:
        return [line.split()[0] for line in listing.readlines()[1:] if line.split()]
    return []
