"""The hands on the floor: they plug drives in and pull them out."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

from cast import MB, Drive
from ingestd.files import write_whole
from ingestd.ports import Drives
from ingestd.runtime import config
from ingestd.runtime.app import make_drives


class Trouble(Exception):
    """The scene cannot go on, and why, in words."""


class Floor:
    """Plugs drives in and pulls them out. `real`: image files on loop devices, not folders."""

    def __init__(self, root: Path) -> None:
        self.bays = root / "bays"
        self.real = False
        self._drives = root / "drives"
        self._hashes: dict[str, str] = {}
        self._devices: set[str] = set()

    def prepare(self, drive: Drive) -> None:
        """Write the drive, as its owner did."""
        content = self._drives / drive.serial
        content.mkdir(parents=True)
        for name, write in drive.files.items():
            write(content / name)
        if self.real:
            self._make_image(drive, content)
            shutil.rmtree(content)
        self._hashes[drive.serial] = self._hash(drive)

    def _image(self, drive: Drive) -> Path:
        return self.bays / drive.bay / f"{drive.serial}.img"

    def _make_image(self, drive: Drive, content: Path) -> None:
        image = self._image(drive)
        used = sum(path.stat().st_size for path in content.iterdir())
        with image.open("wb") as file:
            file.truncate(used + used // 8 + 16 * MB)
        label = drive.serial[:16]
        _do("mkfs.ext4", "-q", "-L", label, "-d", str(content), str(image))

    def _hash(self, drive: Drive) -> str:
        """Of everything there is to alter."""
        digest = hashlib.sha256()
        if self.real:
            with self._image(drive).open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
        for path in sorted((self._drives / drive.serial).rglob("*")):
            digest.update(f"{path} {path.stat().st_mtime_ns} {path.stat().st_size}\n".encode())
            digest.update(path.read_bytes())
        return digest.hexdigest()

    def unaltered(self, drive: Drive) -> bool:
        return self._hash(drive) == self._hashes[drive.serial]

    def plug(self, drive: Drive) -> None:
        card: dict[str, Any] = {"serial": drive.serial, "wwn": drive.wwn, "model": drive.model}
        if self.real:
            card["image"] = self._image(drive).name
        else:
            content = str(self._drives / drive.serial)
            card["volumes"] = [{"path": content, "label": drive.serial[:16]}]
            card["size_bytes"] = drive.size_bytes
        write_whole(str(self.bays / drive.bay / "drive.json"), json.dumps(card).encode())
        if self.real:
            drive.device = attach(self._image(drive))
            self._devices.add(drive.device)

    def pull(self, drive: Drive) -> None:
        """Safe to call for a drive that is not plugged in."""
        if not self.real:
            (self.bays / drive.bay / "drive.json").unlink(missing_ok=True)
        elif drive.device:
            detach(drive.device)
            drive.device = ""

    def clear(self) -> None:
        """Once every drive is pulled: remove them, and leave the loop devices as they were."""
        for device in self._devices:
            lift_seal(device)
        shutil.rmtree(self._drives, ignore_errors=True)
        shutil.rmtree(self.bays, ignore_errors=True)


# -- loop devices ----------------------------------------------------------------------------------


def attach(image: Path) -> str:
    return _do("losetup", "-f", "--show", str(image)).strip()


def detach(device: str) -> None:
    """One that is in use goes with its last user."""
    with contextlib.suppress(Trouble):
        _do("losetup", "-d", device)


def lift_seal(device: str) -> None:
    """A node that was set read-only stays so for whoever gets it next, unless somebody undoes it."""
    if not Path(f"/sys/block/{os.path.basename(device)}/loop").exists():
        with contextlib.suppress(Trouble):
            _do("blockdev", "--setrw", device)


def _do(*command: str) -> str:
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    if done.returncode:
        said = done.stderr.strip() or f"exit status {done.returncode}"
        raise Trouble(f"{command[0]} did not work: {said}")
    return done.stdout


def why_folders(root: Path) -> str | None:
    """Why the drives cannot be loop devices on this machine; None when they can."""
    if os.geteuid() != 0:
        return "loop devices need root"
    missing = [name for name in ("losetup", "mkfs.ext4", "blockdev") if shutil.which(name) is None]
    if missing:
        return f"{', '.join(missing)} not installed"
    problems = [problem for problem in _drives(root).problems() if problem.fatal]
    if problems:
        return problems[0].text
    return _why_no_loop(root / "trial.img")


def _drives(root: Path) -> Drives:
    """Loop drives as the station of the scene would have them."""
    settings = {
        "station": {"name": "quay-03", "state_folder": str(root)},
        "bus": {"spool_folder": str(root)},
        "drives": {"watch": "loop", "bays_folder": str(root / "bays")},
        "stores": [{"name": "harrow-archive", "folder": str(root)}],
    }
    return make_drives(config.parse(settings))


def _why_no_loop(image: Path) -> str | None:
    with image.open("wb") as file:
        file.truncate(MB)
    try:
        detach(attach(image))
    except Trouble as trouble:
        return str(trouble)
    finally:
        image.unlink()
    return None
