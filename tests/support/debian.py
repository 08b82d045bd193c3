"""A Debian 12 of its own in a folder, by debootstrap, and a disk of it to start an emulated machine from."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.vmlab.kernel import Kernel

TOP = Path(__file__).parents[2]
CHECKOUT = "/srv/checkout"
WHEELS = "/srv/wheels"

PACKAGES = (
    *("python3", "python3-venv", "adduser", "ca-certificates", "procps", "dbus"),
    *("systemd", "systemd-sysv", "udev", "kmod"),
    # What README.md tells people to install for the drives.
    *(
        "util-linux",
        "mount",
        "fdisk",
        "smartmontools",
        "ntfs-3g",
        "dmsetup",
        "nbdkit",
        "libnbd-bin",
    ),
)

NEXT_PACKAGES = ("exfat-fuse",)
"""It needs one of two packages that shut each other out: debootstrap takes both, apt what is there."""

DISK_BYTES = 6 << 30
"""Sparse; what is left beside Debian and two versions is for customers' data and journals."""


class Root:
    """The folder, and what is done in it from outside, as its own root or one of its users."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def do(self, *command: str, user: str = "", **environment: str) -> str:
        """Run to its end; what it says. It has to work."""
        ended = subprocess.run(
            self.inside(command, user),
            capture_output=True,
            text=True,
            check=False,
            env={**self.environment(), **environment},
        )
        assert ended.returncode == 0, ended.stdout + ended.stderr
        return ended.stdout + ended.stderr

    def inside(self, command: Sequence[str], user: str = "") -> list[str]:
        return ["chroot", *([f"--userspec={user}:{user}"] if user else []), str(self.folder), *command]

    def environment(self) -> Mapping[str, str]:
        kept = {name: value for name, value in os.environ.items() if name.startswith(("PIP_CERT", "SSL_"))}
        return {
            "PATH": "/usr/local/bin:/usr/local/sbin:/usr/bin:/usr/sbin:/bin:/sbin",
            "HOME": "/root",
            "DEBIAN_FRONTEND": "noninteractive",
            **kept,
        }

    def put_checkout(self) -> None:
        """What is shipped, at CHECKOUT."""
        folder = self.folder / CHECKOUT.removeprefix("/")
        for name in ("ingestd", "systemd", "deploy"):
            shutil.copytree(TOP / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy(TOP / name, folder / name)

    def put_wheels(self) -> None:
        """Whatever an installation takes from PyPI, at WHEELS, for a machine without a network."""
        self.do("python3", "-m", "venv", "/srv/fetching")
        fetch = ("/srv/fetching/bin/pip", "download", "--quiet", "--dest", WHEELS)
        self.do(*fetch, CHECKOUT, "setuptools>=68", "wheel")
        shutil.rmtree(self.folder / "srv/fetching")

    def put_modules(self, kernel: Kernel) -> None:
        """The modules of the kernel that is to start it."""
        shutil.copytree(kernel.modules, self.folder / "lib/modules" / kernel.release, symlinks=True)

    def make_disk(self, path: Path) -> None:
        """An ext4 of all of it, without a partition table; with nothing mounted in it any more."""
        with path.open("wb") as image:
            image.truncate(DISK_BYTES)
        made = ["mkfs.ext4", "-q", "-L", "debian", "-d", str(self.folder), str(path)]
        subprocess.run(made, check=True, capture_output=True)


@contextmanager
def debian(folder: Path) -> Iterator[Root]:
    """A root made by debootstrap, which takes a mirror and minutes; or a copy of INGESTD_TEST_ROOT.

    /proc is mounted in it until the end.
    """
    if made := os.environ.get("INGESTD_TEST_ROOT"):
        subprocess.run(["cp", "-a", made, str(folder)], check=True)
    else:
        choice = ("--variant=minbase", f"--include={','.join(PACKAGES)}")
        subprocess.run(["debootstrap", *choice, "bookworm", str(folder)], check=True)
    for name in ("etc/resolv.conf", "etc/hosts", "etc/ssl/certs/ca-certificates.crt"):
        if Path("/", name).exists():
            shutil.copy(Path("/", name), folder / name)
    subprocess.run(["mount", "-t", "proc", "proc", str(folder / "proc")], check=True)
    root = Root(folder)
    try:
        if not made:
            root.do(
                "apt-get", "--quiet", "--yes", "install", *NEXT_PACKAGES, DEBIAN_FRONTEND="noninteractive"
            )
        yield root
    finally:
        subprocess.run(["umount", str(folder / "proc")], check=True)
