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


class Floor:
    """Plugs drives in and pulls them out."""

    def __init__(self, root: Path, *, real: bool) -> None:
        self.bays = root / "bays"
        self._drives = root / "drives"
        self._real = real
        self._hashes: dict[str, str] = {}

    def prepare(self, drive: Drive) -> None:
        """Write the drive, as its owner did."""
        (self.bays / drive.bay).mkdir(parents=True)
        content = self._drives / drive.serial
        content.mkdir(parents=True)
        for name, write in drive.files.items():
            write(content / name)
        if self._real:
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
        if self._real:
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
        if self._real:
            card["image"] = self._image(drive).name
        else:
            content = str(self._drives / drive.serial)
            card["volumes"] = [{"path": content, "label": drive.serial[:16]}]
            card["size_bytes"] = drive.size_bytes
        write_whole(str(self.bays / drive.bay / "drive.json"), json.dumps(card).encode())
        if self._real:
            drive.device = _do("losetup", "-f", "--show", str(self._image(drive))).strip()

    def pull(self, drive: Drive) -> None:
        if self._real:
            if drive.device:
                with contextlib.suppress(subprocess.CalledProcessError):
                    _do("losetup", "-d", drive.device)
            drive.device = ""
        else:
            (self.bays / drive.bay / "drive.json").unlink(missing_ok=True)


def _do(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def can_attach() -> bool:
    """Whether this machine lets us make loop devices and mount them."""
    if os.geteuid() != 0 or not all(map(shutil.which, ("losetup", "mkfs.ext4", "mount", "blkid"))):
        return False
    try:
        _do("losetup", "-f")
    except subprocess.CalledProcessError:
        return False
    return True
