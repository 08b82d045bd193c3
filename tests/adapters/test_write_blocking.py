"""What keeps a drive from being written to: three layers, each with the others taken away."""

from __future__ import annotations

import contextlib
import hashlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingestd.drives import block
from tests.support import drives as support
from tests.support.drives import attached, make_image, write_into

pytestmark = list(support.ROOT_ONLY)

CGROUP = Path("/sys/fs/cgroup/devices")


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """A drive that was pulled: mounting it where that may write alters it."""
    path = make_image(tmp_path / "drive.img")
    write_into(path, {"late.bin": b"l" * 9000}, cleanly=False)
    return path


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def write_error(path: str) -> str | None:
    """What the kernel says to a write that would change nothing; None when it lets it through."""
    try:
        fd = os.open(path, os.O_RDWR)
    except OSError as error:
        return error.strerror
    try:
        os.pwrite(fd, os.pread(fd, 512, 0), 0)
        os.fsync(fd)
    except OSError as error:
        return error.strerror
    finally:
        os.close(fd)
    return None


def mount_error(device: str, folder: Path) -> str | None:
    """What mount says to a plain `-o ro`, which replays the log where it may; None when it is mounted."""
    folder.mkdir(exist_ok=True)
    command = ["mount", "-t", "ext4", "-o", "ro", device, str(folder)]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    if done.returncode == 0:
        subprocess.run(["umount", str(folder)], check=True)
        return None
    return done.stderr


def test_without_any_layer_the_drive_is_altered(image: Path, tmp_path: Path) -> None:
    """The reason for all of this, and the proof that the other tests here can fail."""
    before = sha256(image)
    with attached(image) as device:
        assert write_error(device) is None
        assert mount_error(device, tmp_path / "mnt") is None
    assert sha256(image) != before


def test_the_seal_alone(image: Path, tmp_path: Path) -> None:
    before = sha256(image)
    with attached(image) as device:
        fd = block.open_device(device)
        block.set_sealed(fd, True)
        os.close(fd)
        assert write_error(device) == "Operation not permitted"
        assert "read-only" in (mount_error(device, tmp_path / "mnt") or "")
    assert sha256(image) == before


def test_the_read_only_window_alone(image: Path, tmp_path: Path) -> None:
    """Its driver refuses by itself: the seal that it brings along is taken off."""
    before = sha256(image)
    with attached(image) as device:
        drive_fd = block.open_device(device)
        window = block.attach_read_only(drive_fd)
        with contextlib.suppress(Exception):
            block.set_sealed(window.fd, False)
        assert write_error(window.path) is not None
        assert mount_error(window.path, tmp_path / "mnt") is not None
        assert write_error(device) is None, "no seal was in the way"
        os.close(window.fd)
        os.close(drive_fd)
    assert sha256(image) == before


@contextlib.contextmanager
def device_group(*rules: str) -> Iterator[Path]:
    """A device cgroup with these rules and no others."""
    group = CGROUP / f"ingestd-test-{os.getpid()}"
    group.mkdir()
    try:
        (group / "devices.deny").write_text("a")
        for rule in rules:
            (group / "devices.allow").write_text(rule)
        yield group
    finally:
        group.rmdir()


INSIDE = """
import os, subprocess, sys
group, device, folder = sys.argv[1:]
with open(os.path.join(group, "cgroup.procs"), "w") as file:
    file.write(str(os.getpid()))
fd = os.open(device, os.O_RDONLY)
print("read", len(os.read(fd, 512)))
try:
    os.open(device, os.O_RDWR)
    print("opened for writing")
except PermissionError:
    print("refused")
for options in ("rw", "ro"):
    done = subprocess.run(["mount", "-t", "ext4", "-o", options, device, folder], capture_output=True)
    print(options, "mounted" if done.returncode == 0 else "refused")
    if done.returncode == 0:
        subprocess.run(["umount", folder], check=True)
"""


@pytest.mark.skipif(not (CGROUP / "devices.deny").exists(), reason="needs a kernel without cgroup v2 only")
def test_the_device_group_alone(image: Path, tmp_path: Path) -> None:
    """What `DeviceAllow=... r` in a unit of systemd amounts to: nobody in it opens the drive for writing.

    It does not stop the replay of a log by a plain read-only mount, for which the kernel opens the device
    for reading only: measured here, and the reason why the other two layers are never left out. With
    cgroup v2 the same rules are a BPF program, which systemd attaches.
    """
    (tmp_path / "mnt").mkdir()
    before = sha256(image)
    with attached(image) as device, device_group("b 7:* r", "c *:* rwm") as group:
        command = [sys.executable, "-c", INSIDE, str(group), device, str(tmp_path / "mnt")]
        said = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    assert said == ["read 512", "refused", "rw refused", "ro mounted"]
    assert sha256(image) != before


def test_what_an_overlay_is_made_of_can_be_written_to_whoever_had_its_node_before(tmp_path: Path) -> None:
    """A killed process leaves the nodes of loop devices sealed. An overlay that got one of these could not
    take up a log, and that would look like the drive's fault."""
    file = os.open(tmp_path / "own", os.O_RDWR | os.O_CREAT)
    os.truncate(file, 1 << 20)
    try:
        for _ in range(50):
            before = block.attach_writable(file, 512)
            block.set_sealed(before.fd, True)
            os.close(before.fd)
            again = block.attach_writable(file, 512)
            error = write_error(again.path)
            os.close(again.fd)
            if again.path == before.path:
                break
            subprocess.run(["blockdev", "--setrw", before.path], check=False)
        assert again.path == before.path, "others took the node each time"
        assert error is None
    finally:
        os.close(file)
