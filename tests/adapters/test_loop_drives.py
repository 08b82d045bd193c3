"""Loop devices as drives: nothing is altered, nothing is hidden, nothing is left behind. Needs root."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from ingestd.core.drive import DriveIdentity, VolumeFacts, VolumeFlaw
from ingestd.drives import block, file_systems, mounts, programs
from ingestd.drives.privileged import claims
from ingestd.ports import (
    DriveGoneError,
    DriveSwapped,
    DriveUnreadable,
    OpenDrive,
    ResourcesExhausted,
    ToolFailed,
)
from tests.support import drives as support
from tests.support.drives import (
    SONAR,
    Going,
    attach,
    backing_of,
    make_file_system,
    make_image,
    mounts_at,
    open_in,
    plug_image,
    read_below,
    seen_in,
    unplug_image,
    windows_over,
    write_card,
    write_into,
)

pytestmark = list(support.ROOT_ONLY)

CARD = {"serial": "KX-1", "wwn": "3d5e7f901", "model": "Slate 4"}


class Station:
    def __init__(self, home: Path) -> None:
        self.bays = home / "bays"
        self.mounts = home / "mounts"
        self.image = self.bays / "bay-1" / "drive.img"
        self.bays.mkdir()
        self.drives = support.loop_drives(self.bays, self.mounts)

    def open(self) -> OpenDrive:
        return open_in(self.drives, "bay-1")

    def problem(self) -> str:
        """What is wrong with the one volume of the drive in bay-1."""
        return self.facts().problem or "nothing"

    def facts(self) -> VolumeFacts:
        opened = self.open()
        opened.close()
        (volume,) = opened.facts.volumes
        return volume

    def left_over(self, device: str) -> tuple[list[str], list[str], list[str]]:
        """Mounts, windows and folders that are still there; the last wait for whoever looks at them."""
        until = time.monotonic() + 2
        while True:
            folders = os.listdir(self.mounts) if self.mounts.exists() else []
            found = mounts_at(self.mounts), windows_over(device), folders
            if found == NOTHING or time.monotonic() > until:
                return found
            time.sleep(0.02)


NOTHING: tuple[list[str], list[str], list[str]] = ([], [], [])


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    station = Station(tmp_path)
    yield station
    for point in mounts_at(station.mounts):
        subprocess.run(["umount", "-l", point], check=False)
    support.unplug_all(station.bays)


def sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def refuses_writes(device: str) -> bool:
    """Whether a write to the device node fails. Gives back what it read, so that it never does harm."""
    fd = os.open(device, os.O_RDWR)
    try:
        first = os.pread(fd, 512, 0)
        os.pwrite(fd, first, 0)
        os.fsync(fd)
    except PermissionError:
        return True
    finally:
        os.close(fd)
    return False


def read_everything(opened: OpenDrive) -> dict[str, bytes]:
    found = {}
    root = opened.volumes[0].root_fd
    for _, _, names, folder in os.fwalk(".", dir_fd=root):
        for name in names:
            found[name] = read_below(folder, name)
    return found


def ext4(image: Path) -> None:
    make_image(image)


def xfs(image: Path) -> None:
    make_file_system(image, "mkfs.xfs", "-q", size_mib=320)


def btrfs(image: Path) -> None:
    make_file_system(image, "mkfs.btrfs", "-q", size_mib=128)


def made_by(maker: Callable[[Path], None], program: str) -> object:
    missing = shutil.which(program) is None
    mark = pytest.mark.skipif(missing, reason=f"needs {program}")
    return pytest.param(maker, id=maker.__name__, marks=mark)


MAKERS = [made_by(ext4, "mkfs.ext4"), made_by(xfs, "mkfs.xfs"), made_by(btrfs, "mkfs.btrfs")]

# -- never altered --------------------------------------------------------------------------------


@pytest.mark.parametrize("make", MAKERS)
def test_a_clean_drive_is_read_and_not_altered(station: Station, make: Callable[[Path], None]) -> None:
    make(station.image)
    write_into(station.image, {"late.bin": b"l" * 9000}, cleanly=True)
    before = sha256(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    assert opened.facts.volumes[0].problem is None
    assert read_everything(opened)["late.bin"] == b"l" * 9000
    opened.drop_caches()
    assert read_everything(opened)["late.bin"] == b"l" * 9000
    opened.close()
    unplug_image(device)
    assert sha256(station.image) == before


@pytest.mark.parametrize("make", MAKERS)
def test_without_overlays_a_drive_that_was_pulled_is_reported_and_not_altered(
    station: Station, make: Callable[[Path], None]
) -> None:
    station.drives = support.loop_drives(station.bays, station.mounts, overlay_bytes_max=0)
    make(station.image)
    write_into(station.image, {"late-1.bin": b"l" * 9000, "late-2.bin": b"m"}, cleanly=False)
    before = sha256(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    (facts,) = opened.facts.volumes
    assert (facts.problem or "").startswith("not cleanly unmounted: ")
    assert "sent again (the driver said: " in (facts.problem or "")
    assert facts.file_system == make.__name__, "what it is can be told all the same"
    with pytest.raises(ValueError, match="not cleanly unmounted"):
        opened.volumes[0].root_fd  # noqa: B018
    assert opened.facts.identity.serial == "KX-1"
    opened.close()
    assert station.left_over(device) == NOTHING
    unplug_image(device)
    assert sha256(station.image) == before


def test_the_dirty_image_of_these_tests_really_hides_files(station: Station) -> None:
    """What mounting without replay would do: the reason why it is never done."""
    make_image(station.image)
    write_into(station.image, {"late.bin": b"l"}, cleanly=False)
    station.mounts.mkdir()
    with support.attached(station.image) as device:
        options = "ro,noload"
        subprocess.run(["mount", "-t", "ext4", "-o", options, device, str(station.mounts)], check=True)
        hidden = "late.bin" not in os.listdir(station.mounts)
        subprocess.run(["umount", str(station.mounts)], check=True)
    assert hidden


def test_nobody_can_write_while_it_is_open(station: Station) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    root = opened.volumes[0].root_fd
    with pytest.raises(OSError) as raised:
        os.open("new.txt", os.O_WRONLY | os.O_CREAT, dir_fd=root)
    assert raised.value.errno == errno.EROFS
    (window,) = windows_over(device)
    assert refuses_writes(window)
    assert refuses_writes(device)
    (point,) = mounts_at(station.mounts)
    remount = subprocess.run(["mount", "-o", "remount,rw", point], check=False, capture_output=True)
    assert remount.returncode != 0
    opened.close()


def test_the_mount_has_every_option(station: Station) -> None:
    make_image(station.image)
    plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    (point,) = mounts_at(station.mounts)
    with open("/proc/self/mountinfo", encoding="utf-8") as listing:
        (line,) = [line for line in listing if f" {point} " in line]
    assert set(mounts.OPTIONS.split(",")) <= set(line.split()[5].split(","))
    opened.close()


def test_the_seal_lasts_until_the_drive_is_unplugged(station: Station) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    assert not refuses_writes(device)
    station.open().close()
    assert refuses_writes(device)
    subprocess.run(["losetup", "-d", device], check=True)
    station.drives.enumerate()
    told = subprocess.run(["blockdev", "--getro", device], check=True, capture_output=True)
    assert told.stdout == b"0\n"


def test_a_drive_that_something_else_has_mounted_is_not_opened(station: Station) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    elsewhere = station.bays.parent / "auto mounted"
    elsewhere.mkdir()
    subprocess.run(["mount", device, str(elsewhere)], check=True)
    try:
        with pytest.raises(ToolFailed, match=r"something else has mounted .*auto mounted"):
            station.open()
    finally:
        subprocess.run(["umount", str(elsewhere)], check=True)
    station.open().close()


# -- who and what ---------------------------------------------------------------------------------


def test_facts_of_the_drive_and_its_volume(station: Station) -> None:
    make_image(station.image, label="KELP-03", size_mib=16)
    device = plug_image(station.bays, "bay-1", **CARD, interface="usb3", size_bytes=1)
    opened = station.open()
    size_bytes = 16 << 20
    identity = DriveIdentity(serial="KX-1", wwn="3d5e7f901", model="Slate 4", size_bytes=size_bytes)
    assert opened.facts.identity == identity
    assert opened.facts.interface == "usb3"
    (volume,) = opened.facts.volumes
    assert (volume.name, volume.file_system, volume.label) == ("volume-1", "ext4", "KELP-03")
    assert volume.size_bytes == size_bytes
    told = subprocess.run(
        ["blkid", "-p", "-s", "UUID", "-o", "value", device], check=True, capture_output=True
    )
    assert volume.uuid == told.stdout.decode().strip()
    assert volume.uuid
    opened.close()


@pytest.mark.parametrize(
    ("raw", "label"),
    [
        ("Grüße & Tang".encode(), "Grüße & Tang"),
        (b"a\nID_FS_TYPE=xfs", "a\\nID_FS_TYPE=xfs"),
        (b"\xff\xfe", "\\xff\\xfe"),
        (b"back\\slash", "back\\slash"),
        (b"\\x41", "\\x41"),
        (b"\x1b[31mred", "\\x1b[31mred"),
        (b"  lead", "  lead"),
        (b"$(reboot)`'\"", "$(reboot)`'\""),
        (b"", None),
    ],
)
def test_odd_labels(station: Station, raw: bytes, label: str | None) -> None:
    make_image(station.image, {}, label=raw, size_mib=4)
    plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    assert opened.facts.volumes[0].label == label
    assert opened.facts.volumes[0].problem is None
    opened.close()


def test_without_a_card_only_the_size_is_known(station: Station) -> None:
    make_image(station.image, size_mib=8)
    plug_image(station.bays, "bay-1")
    sighting = seen_in(station.drives, "bay-1")
    assert sighting.identity == DriveIdentity(size_bytes=8 << 20)
    assert sighting.interface == "loop"
    opened = station.open()
    assert read_below(opened.volumes[0].root_fd, "read me.txt") == SONAR["read me.txt"]
    opened.close()


def test_the_card_of_another_image_is_not_this_drives(station: Station) -> None:
    make_image(station.image)
    write_card(station.image.parent, {**CARD, "image": "other.img"})
    plug_image(station.bays, "bay-1")
    assert seen_in(station.drives, "bay-1").identity.serial is None


def test_only_images_in_bays_count(station: Station) -> None:
    make_image(station.bays.parent / "stray.img")
    make_image(station.bays / "loose.img")
    make_image(station.bays / "bay-1" / "deeper" / "deep.img")
    strays = [
        attach(path)
        for path in (
            station.bays.parent / "stray.img",
            station.bays / "loose.img",
            station.bays / "bay-1" / "deeper" / "deep.img",
        )
    ]
    try:
        assert list(station.drives.enumerate()) == []
    finally:
        for device in strays:
            unplug_image(device)


# -- what cannot be mounted -----------------------------------------------------------------------


def blank(image: Path) -> None:
    image.parent.mkdir(parents=True, exist_ok=True)
    with image.open("wb") as file:
        file.truncate(8 << 20)


def put(image: Path, offset: int, body: bytes) -> None:
    with image.open("r+b") as file:
        file.seek(offset)
        file.write(body)


def luks(image: Path) -> None:
    """A LUKS2 header as far as probing looks: magic, version and header size, big-endian."""
    blank(image)
    put(image, 0, b"LUKS\xba\xbe" + (2).to_bytes(2, "big") + (16384).to_bytes(8, "big"))


def random_bytes(image: Path) -> None:
    blank(image)
    put(image, 0, hashlib.shake_256(b"lumen-dome").digest(1 << 20))


def swap_space(image: Path) -> None:
    blank(image)
    put(image, 1024, (1).to_bytes(4, "little") + (2000).to_bytes(4, "little"))
    put(image, 4086, b"SWAPSPACE2")


def two_at_once(image: Path) -> None:
    """The first sector of a FAT file system before an ext4: either could be what is left of a former use."""
    make_image(image, size_mib=8)
    shape = bytes.fromhex("0002 04 0100 02 0002 0020 f8 0600 2000 0400 00000000 00000000 8000 29 c5c50739")
    put(image, 0, b"\xeb\x3c\x90mkfs.fat" + shape + b"NO NAME    FAT12   ")
    put(image, 510, b"\x55\xaa")


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (blank, "no file system is recognised"),
        (random_bytes, "no file system is recognised"),
        (luks, "an encrypted container (LUKS)"),
        (swap_space, "it holds swap space, and no files"),
        (two_at_once, "several file systems (ext4, vfat)"),
    ],
)
def test_what_is_no_file_system_is_named(station: Station, make: Callable[[Path], None], words: str) -> None:
    make(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    assert words in station.problem()
    assert station.left_over(device) == NOTHING


def test_a_damaged_file_system_is_the_drives_fault(station: Station) -> None:
    make_image(station.image)
    put(station.image, 2048, b"\xff" * 64)  # the first group's descriptor
    plug_image(station.bays, "bay-1", **CARD)
    problem = station.problem()
    assert "damaged" in problem
    assert "the driver said: " in problem


_GENERIC = (
    "wrong fs type, bad option, bad superblock on /dev/loop7, "
    "missing codepage or helper program, or other error."
)


@pytest.mark.parametrize(
    "said",
    [
        [_GENERIC, "EXT4-fs (loop7): couldn't mount because of unsupported optional features (40000)"],
        [_GENERIC, "XFS (loop7): Superblock has unknown incompatible features (0x20) enabled."],
        [_GENERIC, "FAT-fs (loop7): codepage cp437 not found"],
        [_GENERIC, "FAT-fs (loop7): IO charset utf8 not found"],
        [_GENERIC, 'squashfs: Filesystem uses "zstd" compression. This is not supported'],
        [_GENERIC, "ext4: Unknown parameter 'nosuch'"],
        ["mount point is busy"],
    ],
    ids=lambda said: said[-1][:40],
)
def test_a_refusal_that_speaks_against_the_station_is_the_stations(
    station: Station, monkeypatch: pytest.MonkeyPatch, said: list[str]
) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    refuse_mounts(monkeypatch, said)
    with pytest.raises(ToolFailed, match="the driver said: "):
        station.open()
    assert station.left_over(device) == NOTHING


@pytest.mark.parametrize(
    "said",
    [
        ["mount(2) system call failed: Structure needs cleaning."],
        ["can't read superblock on /dev/loop7."],
        [
            _GENERIC,
            "EXT4-fs (loop7): ext4_check_descriptors: Block bitmap not in group (block 12)!; corrupted",
        ],
        [_GENERIC, "EXT4-fs (loop7): bad geometry: block count 9 exceeds size of device (4 blocks)"],
        [_GENERIC, "EXT4-fs (loop7): VFS: Can't find ext4 filesystem"],
        [_GENERIC, "FAT-fs (loop7): bogus number of FAT sectors"],
        [_GENERIC, "XFS (loop7): SB validate failed with error -117; Metadata CRC error"],
    ],
    ids=lambda said: said[-1][:40],
)
def test_a_refusal_that_speaks_against_the_volume_is_its_problem(
    station: Station, monkeypatch: pytest.MonkeyPatch, said: list[str]
) -> None:
    make_image(station.image)
    plug_image(station.bays, "bay-1", **CARD)
    refuse_mounts(monkeypatch, said)
    assert "so it is damaged (the driver said: " in station.problem()


@pytest.mark.parametrize(
    "said",
    [
        [_GENERIC],
        [_GENERIC, "BTRFS: device label corrupt checksum devid 1 transid 8 /dev/loop7 scanned by mount"],
        [_GENERIC, "exFAT-fs (loop7): Volume was not properly unmounted. Some data may be corrupt."],
    ],
    ids=lambda said: said[-1][:40],
)
def test_a_refusal_that_speaks_against_nobody_leaves_the_volume_in_doubt(
    station: Station, monkeypatch: pytest.MonkeyPatch, said: list[str]
) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    refuse_mounts(monkeypatch, said)
    with contextlib.closing(station.open()) as drive:
        (volume,) = drive.volumes
        assert volume.facts.flaw is VolumeFlaw.IN_DOUBT
        assert "cannot be mounted, and why is not known: " in (volume.facts.problem or "")
    assert station.left_over(device) == NOTHING


def refuse_mounts(monkeypatch: pytest.MonkeyPatch, said: list[str]) -> None:
    """Let every mount of a volume be refused with these words, mount's own first."""
    really_run = programs.run

    def run(program: str, *arguments: str) -> programs.Ended:
        if program == "mount" and "tmpfs" not in arguments:
            return programs.Ended(32, "", f"mount: {arguments[-1]}: {said[0]}")
        return really_run(program, *arguments)

    monkeypatch.setattr(mounts, "run", run)
    monkeypatch.setattr(mounts, "kernel_log", lambda _name: contextlib.nullcontext(lambda: said[1:]))


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (errno.EIO, DriveUnreadable),
        (errno.ENODATA, DriveUnreadable),
        (errno.EREMOTEIO, DriveUnreadable),
        (errno.ETIMEDOUT, DriveUnreadable),
        (errno.EILSEQ, DriveUnreadable),
        (errno.EUCLEAN, DriveUnreadable),
        (errno.ENOMEDIUM, DriveGoneError),
        (errno.ENXIO, DriveGoneError),
        (errno.ENOMEM, ResourcesExhausted),
        (errno.EMFILE, ResourcesExhausted),
        (errno.ENFILE, ResourcesExhausted),
        (errno.EACCES, ToolFailed),
        (errno.ENOTCONN, ToolFailed),
        (errno.ESHUTDOWN, ToolFailed),
        (errno.EINVAL, ToolFailed),
        (errno.ENOTTY, ToolFailed),
        (errno.EBUSY, ToolFailed),
        (errno.EINTR, ToolFailed),
        (None, ToolFailed),
    ],
)
def test_only_what_a_medium_gives_is_laid_at_the_drives_door(
    number: int | None, kind: type[Exception]
) -> None:
    error = OSError() if number is None else OSError(number, os.strerror(number))
    assert type(block.translated(error, "/dev/loop7")) is kind


def test_a_station_without_memory_does_not_blame_the_beginning_of_a_drive(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_image(station.image)
    plug_image(station.bays, "bay-1", **CARD)

    def refuse(_fd: int, _size: int, _at: int) -> bytes:
        raise OSError(errno.ENOMEM, os.strerror(errno.ENOMEM))

    with monkeypatch.context() as patch:
        patch.setattr(os, "pread", refuse)
        with pytest.raises(ResourcesExhausted):
            station.open()


def test_an_unreadable_beginning_is_not_taken_for_an_empty_drive(station: Station) -> None:
    make_image(station.image)
    plug_image(station.bays, "bay-1", **CARD)
    os.truncate(station.image, 0)  # the device keeps its size, and every read fails
    assert "reading its first megabyte gives: " in station.problem()


def test_the_first_megabyte_is_read_to_its_end_however_little_comes_at_once(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_image(station.image)
    plug_image(station.bays, "bay-1", **CARD)
    real = os.pread

    def little(fd: int, size: int, at: int) -> bytes:
        if size > 4096 and at >= 512 << 10:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return real(fd, min(size, 64 << 10), at)

    monkeypatch.setattr(os, "pread", little)
    assert "reading its first megabyte gives: " in station.problem()


def iso9660(image: Path) -> None:
    blank(image)
    put(image, 32768, b"\x01CD001\x01")


@pytest.mark.skipif(file_systems.kernel_has("iso9660"), reason="needs a kernel without iso9660")
def test_a_driver_that_the_kernel_lacks_is_the_stations_fault(station: Station) -> None:
    iso9660(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    with pytest.raises(ToolFailed, match="no driver for iso9660"):
        station.open()
    assert station.left_over(device) == NOTHING


def test_a_mount_that_cannot_work_is_the_stations_fault(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    monkeypatch.setattr(mounts, "OPTIONS", f"{mounts.OPTIONS},no-such-option")
    with pytest.raises(ToolFailed, match="cannot mount anything"):
        station.open()
    assert station.left_over(device) == NOTHING
    (problem,) = station.drives.problems()
    assert "no-such-option" in problem.text


def test_a_missing_program_is_named_with_its_package(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    monkeypatch.setenv("PATH", str(station.bays))
    with pytest.raises(ToolFailed, match="install the package util-linux"):
        station.open()
    missing = [problem.text for problem in station.drives.problems() if problem.fatal]
    programs = ("blkid", "mount", "umount", "sfdisk")
    assert missing == [f"the program {name} is not installed" for name in programs]
    monkeypatch.undo()
    assert station.left_over(device) == NOTHING


def test_a_program_that_hangs_is_given_up(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    slow = station.bays.parent / "blkid"
    slow.write_text("#!/bin/sh\nexec sleep 60\n")
    slow.chmod(0o755)
    monkeypatch.setenv("PATH", f"{slow.parent}:{os.environ['PATH']}")
    monkeypatch.setattr(programs, "LIMIT_S", 0.2)
    began = time.monotonic()
    with pytest.raises(ToolFailed, match=r"blkid has not ended within 0\.2 s"):
        station.open()
    assert time.monotonic() - began < 5
    assert station.left_over(device) == NOTHING


# -- letting go -----------------------------------------------------------------------------------


def test_nothing_is_left_after_closing(station: Station) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    assert len(mounts_at(station.mounts)) == len(windows_over(device)) == 1
    opened.close()
    assert station.left_over(device) == NOTHING
    opened.close()


def test_a_reader_that_lets_go_late_is_waited_for(station: Station) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    reader = os.open("read me.txt", os.O_RDONLY, dir_fd=opened.volumes[0].root_fd)
    sleeper = subprocess.Popen(["sleep", "0.3"], stdin=reader)
    os.close(reader)
    with capture_logs() as logs:
        opened.close()
    sleeper.wait()
    assert logs == []
    assert station.left_over(device) == NOTHING


def test_a_reader_that_never_lets_go_is_left_behind(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    reader = os.open("read me.txt", os.O_RDONLY, dir_fd=opened.volumes[0].root_fd)
    monkeypatch.setattr(mounts, "_UNMOUNT_S", 0.2)
    with capture_logs() as logs:
        opened.close()
    assert [(log["event"], log["done"]) for log in logs] == [("volume_unmounted_lazily", True)]
    assert mounts_at(station.mounts) == []
    assert os.listdir(station.mounts) == []
    assert windows_over(device) != []
    os.close(reader)
    assert station.left_over(device) == NOTHING


CRASH = """
import os, pathlib, sys
from tests.support.drives import Going, loop_drives
drives = loop_drives(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]))
for sighting in drives.enumerate():
    drives.open(sighting.handle, Going())
os._exit(9)
"""


def test_what_a_crash_leaves_is_cleaned_up(station: Station) -> None:
    make_image(station.image)
    make_image(station.bays / "bay 2" / "drive.img")
    devices = [plug_image(station.bays, bay, **CARD) for bay in ("bay-1", "bay 2")]
    command = [sys.executable, "-c", CRASH, str(station.bays), str(station.mounts)]
    assert subprocess.run(command, check=False).returncode == 9
    points = mounts_at(station.mounts)
    windows = [windows_over(device) for device in devices]
    assert len(points) == 2
    assert [len(found) for found in windows] == [1, 1]
    said = station.drives.clean_up()
    assert [station.left_over(device) for device in devices] == [NOTHING, NOTHING]
    assert {f"unmounted {point}" for point in points} <= set(said)
    for (window,), device in zip(windows, devices, strict=True):
        assert f"detached {window}, a read-only loop device over {device}" in said
    assert list(station.drives.clean_up()) == []
    assert {sighting.bay for sighting in station.drives.enumerate()} == {"bay-1", "bay 2"}


def test_clean_up_detaches_a_window_that_stands_alone(station: Station) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    subprocess.run(["losetup", "-r", "-f", device], check=True)
    (window,) = windows_over(device)
    assert list(station.drives.clean_up()) == [f"detached {window}, a read-only loop device over {device}"]
    assert backing_of(window) is None
    assert backing_of(device) is not None


def test_clean_up_touches_nothing_else(station: Station) -> None:
    make_image(station.bays.parent / "stray.img")
    other = station.bays.parent / "mounts-of-others"
    other.mkdir()
    station.mounts.mkdir()
    (station.mounts / "kept").mkdir()
    (station.mounts / "kept" / "note.txt").write_text("not ours")
    with support.attached(station.bays.parent / "stray.img") as device:
        subprocess.run(["mount", "-o", "ro", device, str(other)], check=True)
        try:
            assert list(station.drives.clean_up()) == []
            assert "read me.txt" in os.listdir(other)
            assert (station.mounts / "kept" / "note.txt").exists()
        finally:
            subprocess.run(["umount", str(other)], check=True)


# -- coming and going -----------------------------------------------------------------------------


def swap_at(device: str, image: Path) -> None:
    """Put another image on the very same device, as when a drive is swapped under its node."""
    unplug_image(device)
    if subprocess.run(["losetup", device, str(image)], check=False, capture_output=True).returncode != 0:
        pytest.skip("another process took the loop device")


def test_a_drive_swapped_under_its_node_is_noticed(station: Station) -> None:
    make_image(station.image)
    other = make_image(station.image.with_name("other.img"))
    device = plug_image(station.bays, "bay-1", **CARD)
    before = seen_in(station.drives, "bay-1")
    swap_at(device, other)
    after = seen_in(station.drives, "bay-1")
    assert after.handle.locator == before.handle.locator
    with pytest.raises(DriveSwapped, match="disk sequence number"):
        station.drives.open(before.handle, Going())
    assert station.left_over(device) == NOTHING


def test_a_handle_of_an_earlier_boot_opens_nothing(station: Station, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same node and, since the kernel counts anew, the same disk sequence number."""
    make_image(station.image)
    plug_image(station.bays, "bay-1", **CARD)
    before_it = station.bays.parent / "boot-id"
    before_it.write_text("another boot")
    with monkeypatch.context() as patch:
        patch.setattr(block, "BOOT_ID", str(before_it))
        old = seen_in(station.drives, "bay-1").handle
    assert seen_in(station.drives, "bay-1").handle != old
    with pytest.raises(DriveSwapped, match="disk sequence number"):
        station.drives.open(old, Going())
    station.open().close()


def test_a_drive_swapped_while_it_is_opened_is_noticed(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Swapped after sysfs was looked at, before the device is opened."""
    make_image(station.image)
    other = make_image(station.image.with_name("other.img"))
    device = plug_image(station.bays, "bay-1", **CARD)
    handle = seen_in(station.drives, "bay-1").handle
    really_claim = claims.claim

    def swap_then_claim(*arguments: Any) -> int:
        swap_at(device, other)
        return really_claim(*arguments)

    monkeypatch.setattr(claims, "claim", swap_then_claim)
    with pytest.raises(DriveSwapped):
        station.drives.open(handle, Going())
    assert not refuses_writes(device), "the other drive was not even sealed"


def test_a_drive_pulled_while_it_is_opened_is_gone_and_not_at_fault(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    handle = seen_in(station.drives, "bay-1").handle

    def pull(*arguments: object) -> str:
        unplug_image(device)
        raise DriveUnreadable("reads fail")

    monkeypatch.setattr(mounts, "mount", pull)
    with pytest.raises(DriveGoneError):
        station.drives.open(handle, Going())
    assert station.left_over(device) == NOTHING
    assert backing_of(device) is None


def test_a_drive_pulled_while_open_is_unplugged_for_the_watch(station: Station) -> None:
    make_image(station.image)
    device = plug_image(station.bays, "bay-1", **CARD)
    opened = station.open()
    unplug_image(device)
    assert backing_of(device) is not None, "the kernel keeps it for its last user"
    assert list(station.drives.enumerate()) == []
    assert not opened.still_there()
    opened.close()
    assert backing_of(device) is None


def test_the_image_may_be_deleted_while_it_is_plugged_in(station: Station) -> None:
    make_image(station.image)
    plug_image(station.bays, "bay-1", **CARD)
    before = seen_in(station.drives, "bay-1")
    station.image.unlink()
    assert seen_in(station.drives, "bay-1") == before


def test_many_drives_open_at_once(station: Station) -> None:
    """More than the eight loop devices that a kernel begins with."""
    devices = []
    for number in range(1, 7):
        bay = f"bay-{number}"
        make_image(station.bays / bay / "drive.img", {"who.txt": bay.encode()}, size_mib=4)
        devices.append(plug_image(station.bays, bay, serial=f"KX-{number}"))
    opened = [station.drives.open(found.handle, Going()) for found in station.drives.enumerate()]
    said = [read_below(drive.volumes[0].root_fd, "who.txt").decode() for drive in opened]
    assert sorted(said) == [f"bay-{number}" for number in range(1, 7)]
    for drive in opened:
        drive.close()
    assert [station.left_over(device) for device in devices] == [NOTHING] * 6


def test_several_threads_may_open_drives_at_once(station: Station) -> None:
    """They race for the same free loop device; the loser takes the next one."""
    make_image(station.image, size_mib=4)
    device = plug_image(station.bays, "bay-1", **CARD)
    handle = seen_in(station.drives, "bay-1").handle
    together = threading.Barrier(6)

    def open_and_close() -> bytes:
        together.wait(10)
        opened = station.drives.open(handle, Going())
        try:
            return read_below(opened.volumes[0].root_fd, "read me.txt")
        finally:
            opened.close()

    with ThreadPoolExecutor(6) as pool:
        found = [future.result(30) for future in [pool.submit(open_and_close) for _ in range(6)]]
    assert found == [SONAR["read me.txt"]] * 6
    assert station.left_over(device) == NOTHING
