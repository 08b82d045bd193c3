"""Drives that were pulled while they were written to: nothing synced is missing, nothing is altered.

A dirty image is a copy that was taken while the file system was mounted and after every file was synced:
what a drive holds that was pulled in that moment.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from ingestd.core.drive import VolumeFacts
from ingestd.drives import file_systems, mounts, overlay, programs
from ingestd.drives.file_systems import Driver, kernel_has
from ingestd.ports import OpenDrive, ToolFailed
from tests.support import drives as support
from tests.support.drives import make_file_system, plug_image, read_below, write_into

pytestmark = list(support.ROOT_ONLY)

FILES = {f"late-{number:02}.bin": hashlib.shake_256(bytes([number])).digest(9000) for number in range(20)}


@dataclass(frozen=True)
class Kind:
    """A file system: how it is made, and written to where the kernel has no driver for it."""

    name: str
    make: Sequence[str]
    size_mib: int = 16
    program: Sequence[str] = ("mount",)
    needs: Sequence[str] = ()


def by_kernel_or(driver: str, *program: str) -> Sequence[str]:
    return ("mount", "-t", driver) if kernel_has(driver) else program


KINDS = {
    kind.name: kind
    for kind in (
        Kind("ext4", ("mkfs.ext4", "-q", "-F")),
        Kind("xfs", ("mkfs.xfs", "-q"), size_mib=320),
        Kind("btrfs", ("mkfs.btrfs", "-q"), size_mib=128),
        Kind("ntfs", ("mkfs.ntfs", "-q", "-F"), program=by_kernel_or("ntfs3", "ntfs-3g")),
        Kind("exfat", ("mkfs.exfat",), program=by_kernel_or("exfat", "mount.exfat-fuse")),
        Kind("vfat", ("mkfs.vfat",), program=by_kernel_or("vfat", "fusefat", "-o", "rw+")),
    )
}
WITH_LOG = ("ext4", "xfs", "btrfs")


def kinds(*names: str) -> list[Any]:
    found = []
    for kind in (KINDS[name] for name in names):
        missing = [name for name in (kind.make[0], kind.program[0]) if shutil.which(name) is None]
        skip = pytest.mark.skipif(bool(missing), reason=f"needs {', '.join(missing)}")
        found.append(pytest.param(kind, id=kind.name, marks=skip))
    return found


class Station:
    def __init__(self, home: Path) -> None:
        self.home = home
        self.bays = home / "bays"
        self.image = self.bays / "bay-1" / "drive.img"
        self.image.parent.mkdir(parents=True)
        self.device = ""
        self.with_overlays_of(64 << 20)

    def with_overlays_of(self, size_bytes: int) -> None:
        self.drives = support.loop_drives(
            self.bays, self.home / "mounts", overlay_bytes_max=size_bytes, accepted=tuple(KINDS)
        )

    def make(self, kind: Kind, files: Mapping[str, bytes] = FILES, *, cleanly: bool) -> str:
        """A drive with these files in its bay; the hash of its image."""
        make_file_system(self.image, *kind.make, size_mib=kind.size_mib)
        write_into(self.image, files, cleanly=cleanly, program=kind.program)
        self.device = plug_image(self.bays, "bay-1", serial="KX-1")
        return self.sha256()

    def sha256(self) -> str:
        with self.image.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    def open(self) -> OpenDrive:
        return support.open_in(self.drives, "bay-1")

    def left_over(self) -> list[str]:
        """Mounts, windows and folders that are still there; windows go a moment after their last user."""
        until = time.monotonic() + 5
        while True:
            folders = [str(path) for path in self.home.glob("mounts*/*")]
            found = [*support.mounts_at(self.home), *support.windows_over(self.device), *folders]
            if not found or time.monotonic() > until:
                return found
            time.sleep(0.02)


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Station]:
    if not kernel_has("vfat"):
        # A program that is good enough for these tests, on kernels without the driver.
        drivers = {**file_systems.DRIVERS, "vfat": (Driver("fusefat", package="fusefat"),)}
        monkeypatch.setattr(file_systems, "DRIVERS", drivers)
    station = Station(tmp_path)
    yield station
    for point in support.mounts_at(tmp_path):
        subprocess.run(["umount", "-l", point], check=False)
    support.unplug_all(station.bays)


def the_one(opened: OpenDrive) -> VolumeFacts:
    (facts,) = opened.facts.volumes
    return facts


def read_all(opened: OpenDrive) -> dict[str, bytes]:
    root = opened.volumes[0].root_fd
    return {name: read_below(root, name) for name in os.listdir(root) if name in FILES}


@pytest.mark.parametrize("cleanly", [True, False], ids=["clean", "pulled"])
@pytest.mark.parametrize("kind", kinds(*KINDS))
def test_every_file_is_there_and_the_drive_is_not_altered(
    station: Station, kind: Kind, cleanly: bool
) -> None:
    before = station.make(kind, cleanly=cleanly)
    opened = station.open()
    facts = the_one(opened)
    assert facts.problem is None
    assert facts.replayed is (not cleanly and kind.name in WITH_LOG)
    assert read_all(opened) == FILES
    opened.drop_caches()
    opened.close()
    assert station.left_over() == []
    assert station.sha256() == before


@pytest.mark.parametrize("kind", kinds("exfat"))
def test_a_driver_marks_what_it_has_mounted(station: Station, kind: Kind) -> None:
    """What a driver, not we, wrote into the volume it had mounted; see also the next tests."""
    station.make(kind, cleanly=False)
    opened = station.open()
    opened.close()
    assert the_one(opened).marked_unclean


MARKS = {
    "vfat": (0x25, 0x01),  # FAT16: the state byte of the boot sector, as the Linux kernel sets it
    "exfat": (106, 0x02),  # VolumeFlags: VolumeDirty
}


@pytest.mark.parametrize("kind", kinds("vfat", "exfat"))
def test_a_mark_in_the_boot_sector_is_told_and_hides_nothing(station: Station, kind: Kind) -> None:
    station.make(kind, cleanly=True)
    opened = station.open()
    opened.close()
    assert not the_one(opened).marked_unclean
    support.unplug_image(station.device)
    offset, bit = MARKS[kind.name]
    with station.image.open("r+b") as file:
        file.seek(offset)
        (now,) = file.read(1)
        file.seek(offset)
        file.write(bytes([now | bit]))
    station.device = plug_image(station.bays, "bay-1", serial="KX-1")
    opened = station.open()
    assert the_one(opened).marked_unclean
    assert read_all(opened) == FILES
    opened.close()


def test_a_program_that_serves_a_mount_gives_it_every_option(station: Station) -> None:
    station.make(KINDS["ntfs"], cleanly=True)
    opened = station.open()
    (point,) = support.mounts_at(station.home / "mounts")
    with open("/proc/self/mountinfo", encoding="utf-8") as listing:
        (line,) = [line for line in listing if f" {point} " in line]
    assert set(mounts.OPTIONS.split(",")) <= set(line.split()[5].split(","))
    with pytest.raises(OSError, match="Read-only"):
        os.open("new.txt", os.O_WRONLY | os.O_CREAT, dir_fd=opened.volumes[0].root_fd)
    opened.close()


def test_a_windows_that_is_asleep_is_told(station: Station) -> None:
    station.make(KINDS["ntfs"], {"hiberfil.sys": b"HIBR" + bytes(4092)}, cleanly=True)
    opened = station.open()
    opened.close()
    assert the_one(opened).unclean
    assert "a Windows that is asleep" in (the_one(opened).problem or "")
    assert station.left_over() == []


# -- overlays --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", kinds(*WITH_LOG))
def test_an_overlay_that_is_full_is_the_stations_setting(station: Station, kind: Kind) -> None:
    before = station.make(kind, cleanly=False)
    station.with_overlays_of(32 << 10)
    with pytest.raises(ToolFailed, match=r"more than the 32,768 bytes .*raise drives.overlay_bytes_max"):
        station.open()
    assert station.left_over() == []
    assert station.sha256() == before
    station.with_overlays_of(64 << 20)
    opened = station.open()
    assert read_all(opened) == FILES
    opened.close()


def test_a_pulled_drive_can_be_open_twice(station: Station) -> None:
    station.make(KINDS["ext4"], cleanly=False)
    one, other = station.open(), station.open()
    assert read_all(one) == FILES
    one.close()
    assert read_all(other) == FILES
    other.close()
    assert station.left_over() == []


def test_a_log_that_is_damaged_is_the_volumes_problem(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The driver gives up on the overlay as well, and its words are handed on."""
    station.make(KINDS["ext4"], cleanly=False)
    really_run = programs.run

    def run(program: str, *arguments: str, **how: Any) -> programs.Ended:
        if program == "mount" and how:
            return programs.Ended(32, "", "mount: /x: EXT4-fs (loop9): error loading journal: bad message")
        return really_run(program, *arguments, **how)

    monkeypatch.setattr(mounts, "run", run)
    opened = station.open()
    opened.close()
    assert "so it is damaged (the driver said: " in (the_one(opened).problem or "")
    assert station.left_over() == []


CRASH = """
import os, pathlib, sys
from tests.support.drives import loop_drives, open_in
open_in(loop_drives(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])), "bay-1")
os._exit(9)
"""


def test_what_a_crash_leaves_of_an_overlay_is_cleaned_up(station: Station) -> None:
    before = station.make(KINDS["ext4"], cleanly=False)
    command = [sys.executable, "-c", CRASH, str(station.bays), str(station.home / "mounts")]
    assert subprocess.run(command, check=False).returncode == 9
    assert len(support.mounts_at(station.home)) > 1
    station.drives.clean_up()
    assert station.left_over() == []
    assert station.sha256() == before
    opened = station.open()
    assert read_all(opened) == FILES
    opened.close()


def test_where_no_overlay_can_be_made_that_is_said(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(overlay, "ways", list)
    (problem,) = station.drives.problems()
    assert not problem.fatal
    assert "not cleanly unmounted are findings" in problem.text
