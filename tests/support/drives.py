"""Drives for tests: folders with a card, and images on loop devices (root)."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from ingestd.core.drive import Sighting
from ingestd.core.model import BayName
from ingestd.drives import loop, power
from ingestd.drives.bays import Bay
from ingestd.drives.jws import PublicKeys
from ingestd.drives.loop import LoopDrives
from ingestd.drives.overlay import Scratch
from ingestd.drives.privileged.keeper import Keeper, KeeperSettings
from ingestd.drives.privileged.verbs import BayOf
from ingestd.drives.ticket import NO_KEYS
from ingestd.drives.udev import AskDisk, UdevDrives, bay_finder
from ingestd.files import write_whole
from ingestd.ports import Cancelled, Drives, OpenDrive

LOOPS_WORK = (
    os.geteuid() == 0 and os.path.exists("/dev/loop-control") and shutil.which("mkfs.ext4") is not None
)

ROOT_ONLY = (
    pytest.mark.root,
    pytest.mark.skipif(not LOOPS_WORK, reason="needs root, loop devices and mkfs.ext4"),
)

Files = Mapping[str, bytes]

SONAR: Files = {"sonar/line-01.bin": bytes(range(256)) * 64, "read me.txt": b"kelp forest, west slope\n"}


class Going:
    """A cancel token of work that goes on, and counts its beats."""

    cancelled = False

    def __init__(self) -> None:
        self.beats = 0

    def check(self) -> None: ...

    def wait(self, seconds: float) -> bool:
        time.sleep(seconds)
        return False

    def beat(self) -> None:
        self.beats += 1


class StoppedAfter(Going):
    """A cancel token that lets a number of checks pass and then stops the work."""

    def __init__(self, checks: int) -> None:
        super().__init__()
        self.left = checks

    def check(self) -> None:
        if self.left == 0:
            raise Cancelled
        self.left -= 1


# -- cards and files ------------------------------------------------------------------------------


def write_card(bay: Path, card: Mapping[str, Any]) -> None:
    write_whole(str(bay / "drive.json"), json.dumps(card).encode(), durable=False)


def write_files(folder: Path, files: Files) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, body in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(body)


def read_below(root_fd: int, name: str) -> bytes:
    fd = os.open(name, os.O_RDONLY, dir_fd=root_fd)
    with open(fd, "rb") as file:
        return file.read()


def seen_in(drives: Drives, bay: str) -> Sighting:
    """The one sighting in a bay."""
    (sighting,) = [sighting for sighting in drives.enumerate() if sighting.bay == BayName(bay)]
    return sighting


def open_in(drives: Drives, bay: str) -> OpenDrive:
    return drives.open(seen_in(drives, bay).handle, Going())


# -- folder drives --------------------------------------------------------------------------------


def plug_folder(bays: Path, bay: str, files: Files = SONAR, **card: Any) -> Path:
    """Plug a folder drive in: its files in the folder `main` of the bay, then its card.

    `card` has what the card says, `volumes` included if they are to be others; gives the volume.
    """
    main = bays / bay / "main"
    write_files(main, files)
    write_card(bays / bay, {"volumes": [{"path": "main"}], **card})
    return main


def unplug_folder(bays: Path, bay: str) -> None:
    (bays / bay / "drive.json").unlink()


# -- images ---------------------------------------------------------------------------------------


def make_image(path: Path, files: Files = SONAR, *, label: str | bytes = b"", size_mib: int = 16) -> Path:
    """An ext4 image, never mounted, with these files in it."""
    with tempfile.TemporaryDirectory() as scratch:
        write_files(Path(scratch), files)
        make_file_system(path, "mkfs.ext4", "-q", "-F", "-d", scratch, "-L", label, size_mib=size_mib)
    return path


def make_file_system(path: Path, *command: str | bytes, size_mib: int = 16) -> Path:
    """A sparse image, formatted by a program that takes the image's path last."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        file.truncate(size_mib << 20)
    subprocess.run([*command, str(path)], check=True, capture_output=True)
    return path


def write_into(image: Path, files: Files, *, cleanly: bool, program: Sequence[str] = ("mount",)) -> None:
    """Mount the image writable and write files into it, each made durable by fsync.

    With `cleanly` false the image is left as it was before unmounting: as a pulled drive has it.
    `program` mounts: it takes the device and the folder last.
    """
    with tempfile.TemporaryDirectory() as scratch, attached(image) as device:
        mountpoint = Path(scratch)
        subprocess.run([*program, device, scratch], check=True, capture_output=True)
        try:
            for name, body in files.items():
                with (mountpoint / name).open("wb") as file:
                    file.write(body)
                    file.flush()
                    os.fsync(file.fileno())
            if program[0] != "mount":
                _flush(device)  # not for the kernel's drivers, whose logs it would bring in
            pulled = image.with_name(f".{image.name}.pulled")
            shutil.copyfile(image, pulled)
        finally:
            subprocess.run(["umount", scratch], check=True)
            _until_served_no_more(device)
    if cleanly:
        pulled.unlink()
    else:
        pulled.rename(image)


def _until_served_no_more(device: str) -> None:
    """A program that served a mount writes the last of it after the mount is gone."""
    for _ in range(200):
        if not any(_has_open(process, device) for process in Path("/proc").glob("[0-9]*")):
            return
        time.sleep(0.02)


def _has_open(process: Path, device: str) -> bool:
    try:
        return process.name != str(os.getpid()) and device in map(os.readlink, (process / "fd").iterdir())
    except OSError:
        return False


def _flush(device: str) -> None:
    """Bring into the image what a program wrote to the device in front of it."""
    fd = os.open(device, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


# -- the verbs ------------------------------------------------------------------------------------


def keeper(bay_of: BayOf, mounts: Path, **settings: Any) -> Keeper:
    """The verbs in this process; overlays lie beside the mounts."""
    scratch = Scratch(folder=f"{mounts}-overlays", bytes_max=settings.pop("overlay_bytes_max", 64 << 20))
    make_safe = settings.pop("make_safe", power.make_safe_to_pull)
    return Keeper(KeeperSettings(mounts_folder=str(mounts), scratch=scratch, **settings), bay_of, make_safe)


def loop_drives(bays: Path, mounts: Path, *, keys: PublicKeys = NO_KEYS, **settings: Any) -> LoopDrives:
    return LoopDrives(str(bays), keeper(partial(loop.bay_of, str(bays)), mounts, **settings), keys)


def udev_drives(
    bays: Sequence[Bay],
    mounts: Path,
    ask_disk: AskDisk | None = None,
    *,
    powers_down: bool = True,
    keys: PublicKeys = NO_KEYS,
    **settings: Any,
) -> UdevDrives:
    verbs = keeper(bay_finder(bays), mounts, **settings)
    return UdevDrives(bays, verbs, ask_disk, powers_down=powers_down, keys=keys)


# -- loop devices ---------------------------------------------------------------------------------


def plug_image(bays: Path, bay: str, image: str = "drive.img", **card: Any) -> str:
    """Plug in an image that lies in a bay, after its card if one is given; the device."""
    if card:
        write_card(bays / bay, {"image": image, **card})
    return attach(bays / bay / image)


def attach(image: Path, *options: str) -> str:
    """Attach an image to a free loop device, which is not sealed; the device."""
    for _ in range(100):
        found = subprocess.run(["losetup", "-f"], check=True, capture_output=True, text=True)
        device = found.stdout.strip()
        _unseal_free(device)
        done = subprocess.run(
            ["losetup", *options, device, str(image)], check=False, capture_output=True, text=True
        )
        if done.returncode == 0:
            return device
        said = done.stderr
        time.sleep(0.02)  # others take loop devices too
    raise AssertionError(f"no loop device for {image}: {said}")


def _unseal_free(device: str) -> None:
    """Whoever had the node before, and was killed, may have left it sealed.

    Only before it is ours: once it is, whoever seals it means it.
    """
    sysfs = Path("/sys/block", os.path.basename(device))
    if sysfs.exists() and (sysfs / "ro").read_text() == "1\n" and backing_of(device) is None:
        subprocess.run(["blockdev", "--setrw", device], check=False, capture_output=True)


def unplug_image(device: str) -> None:
    """Detach a device that `attach` gave; one in use goes with its last user, as a pulled drive would."""
    subprocess.run(["blockdev", "--setrw", device], check=False, capture_output=True)
    subprocess.run(["losetup", "-d", device], check=True, capture_output=True)


def unplug_all(bays: Path) -> None:
    """Detach whatever is attached of the images below a folder; other devices are left alone."""
    for entry in Path("/sys/block").glob("loop*"):
        backing = backing_of(f"/dev/{entry.name}")
        if backing is not None and backing.startswith(f"{os.path.realpath(bays)}/"):
            unplug_image(f"/dev/{entry.name}")


def backing_of(device: str) -> str | None:
    """What a loop device is made over, None when it is free."""
    try:
        text = Path(f"/sys/block/{os.path.basename(device)}/loop/backing_file").read_text()
    except OSError:
        return None
    return text.removesuffix("\n")


def windows_over(device: str) -> list[str]:
    """The loop devices that lie over another one."""
    names = sorted(entry.name for entry in Path("/sys/block").glob("loop*"))
    return [f"/dev/{name}" for name in names if backing_of(f"/dev/{name}") == device]


@contextmanager
def attached(image: Path) -> Iterator[str]:
    device = attach(image)
    try:
        yield device
    finally:
        unplug_image(device)


def mounts_at(folder: Path) -> list[str]:
    """Mount points below a folder."""
    with open("/proc/self/mountinfo", encoding="utf-8") as listing:
        points = [re.sub(r"\\(\d{3})", lambda m: chr(int(m[1], 8)), line.split()[4]) for line in listing]
    return [point for point in points if point.startswith(f"{os.path.realpath(folder)}/")]
