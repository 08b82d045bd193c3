"""What can lie on a volume: file systems with their drivers, and what is recognised but never opened."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import dataclass

from ingestd.core.drive import VolumeFlaw
from ingestd.drives.programs import run
from ingestd.ports import ToolFailed


@dataclass(frozen=True, slots=True)
class Driver:
    """One way of mounting a file system: a driver of the kernel, or a program (through FUSE)."""

    name: str
    options: str = ""
    package: str = ""
    """The Debian package that brings the program; empty for a driver of the kernel."""

    @property
    def is_program(self) -> bool:
        return bool(self.package)


_KERNEL_UTF8 = "iocharset=utf8"

DRIVERS: Mapping[str, tuple[Driver, ...]] = {
    "ext2": (Driver("ext2"),),
    "ext3": (Driver("ext3"),),
    "ext4": (Driver("ext4"),),
    "xfs": (Driver("xfs", "nouuid"),),  # two drives may be copies of one another
    "btrfs": (Driver("btrfs"),),
    "vfat": (Driver("vfat", "utf8=1,tz=UTC"),),  # times that do not depend on where the station stands
    "exfat": (Driver("exfat", _KERNEL_UTF8), Driver("mount.exfat-fuse", package="exfat-fuse")),
    "ntfs": (Driver("ntfs3", _KERNEL_UTF8), Driver("ntfs-3g", "norecover", package="ntfs-3g")),
    "hfsplus": (Driver("hfsplus"),),
    "squashfs": (Driver("squashfs"),),
    "iso9660": (Driver("iso9660", _KERNEL_UTF8),),
    "udf": (Driver("udf", _KERNEL_UTF8),),
}
"""File systems that can be mounted, by the name that probing gives them; the first driver here wins."""

ACCEPTED = ("ext2", "ext3", "ext4", "xfs", "btrfs", "vfat", "exfat", "ntfs", "squashfs", "iso9660")
"""What a site takes that says nothing else."""

WITH_LOG = frozenset({"ext3", "ext4", "xfs", "btrfs"})
"""Those whose driver replays a log at a plain read-only mount, where the device lets it."""

_LOCKED: Mapping[str, str] = {
    "crypto_LUKS": "an encrypted container (LUKS) around all of it",
    "BitLocker": "an encrypted container (BitLocker) around all of it",
    "cs_fvault2": "an encrypted container (FileVault) around all of it",
}

_MEMBERS: Mapping[str, str] = {
    "LVM1_member": "a part of a volume group (LVM)",
    "LVM2_member": "a part of a volume group (LVM)",
    "linux_raid_member": "a part of a disk array (Linux software RAID)",
    "ddf_raid_member": "a part of a disk array (DDF, as many controllers make it)",
    "isw_raid_member": "a part of a disk array (Intel Matrix Storage)",
    "zfs_member": "a part of a storage pool (ZFS)",
    "bcache": "a part of a cached device (bcache)",
    "drbd": "a part of a replicated device (DRBD)",
    "DM_snapshot_cow": "a part of a snapshot (device mapper)",
    "VMFS_volume_member": "a part of a virtual machine store (VMFS)",
    "stratis": "a part of a storage pool (Stratis)",
    "ceph_bluestore": "a part of a storage pool (Ceph)",
}

_SPARE: Mapping[str, str] = {
    "swap": "swap space",
    "swsuspend": "the memory of a computer that was put to sleep",
}


def why_not_opened(kind: str | None) -> tuple[VolumeFlaw, str]:
    """Of what kind of flaw it is that a volume holds this, and in words what that is.

    `kind` is the name that blkid gives, None when it recognises nothing.
    """
    if kind is None:
        return VolumeFlaw.UNREADABLE, "no file system is recognised on it"
    if kind in _LOCKED:
        return VolumeFlaw.LOCKED, f"it holds {_LOCKED[kind]}, which is not opened here"
    if kind in _MEMBERS or kind.endswith("_raid_member"):
        what = _MEMBERS.get(kind, f"a part of a disk array ({kind.removesuffix('_raid_member')})")
        return VolumeFlaw.MEMBER, f"it holds {what}, which cannot be read by itself"
    if kind in _SPARE:
        return VolumeFlaw.SPARE, f"it holds {_SPARE[kind]}, and no files"
    return VolumeFlaw.NOT_ACCEPTED, f"it holds the file system {kind}, which is not accepted here"


def driver_for(file_system: str) -> Driver:
    """The driver that this station has for a file system. Raises ToolFailed when it has none."""
    known = DRIVERS[file_system]
    for driver in known:
        if shutil.which(driver.name) if driver.is_program else kernel_has(driver.name):
            return driver
    raise ToolFailed(f"this station has no driver for {file_system}: {how_to_get(file_system)}")


def how_to_get(file_system: str) -> str:
    """How to get a driver, in words."""
    ways = [
        f"install the package {driver.package}"
        if driver.is_program
        else f"install or load the kernel module {driver.name}"
        for driver in DRIVERS[file_system]
    ]
    return ", or ".join(ways)


def kernel_has(driver: str) -> bool:
    """Whether the kernel has a file system's driver, loaded now if it is a module."""
    if _registered(driver):
        return True
    if shutil.which("modprobe"):
        run("modprobe", "-q", f"fs-{driver}")
    return _registered(driver)


def _registered(driver: str) -> bool:
    with open("/proc/filesystems", encoding="ascii") as listing:
        return driver in listing.read().split()
