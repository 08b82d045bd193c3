"""Programs of the host, run to their end or spoken to."""

import socket
import subprocess
from pathlib import Path

_PACKAGES = {
    "apt-cache": "apt",
    "apt-get": "apt",
    "dpkg-deb": "dpkg",
    "losetup": "mount",
    "mke2fs": "e2fsprogs",
    "mkfs.exfat": "exfatprogs",
    "mkfs.vfat": "dosfstools",
    "mkfs.xfs": "xfsprogs",
    "mkntfs": "ntfs-3g",
    "ntfs-3g": "ntfs-3g",
    "qemu-system-x86_64": "qemu-system-x86",
    "sgdisk": "gdisk",
    "zstd": "zstd",
}


class ProgramError(RuntimeError):
    """A program is missing, or failed."""


def run(*command: object, cwd: Path | None = None, data: bytes | None = None) -> bytes:
    """Run a program with ``data`` as its input, and give back its output.

    Raises ProgramError with what it said, or with the Debian package that it is in.
    """
    words = [str(word) for word in command]
    try:
        done = subprocess.run(words, check=False, cwd=cwd, input=data, capture_output=True)
    except FileNotFoundError:
        raise missing(words[0]) from None
    if done.returncode:
        said = (done.stdout + done.stderr).decode(errors="replace")
        raise ProgramError(f"{' '.join(words)} ended with status {done.returncode}:\n{said}")
    return done.stdout


def missing(program: str) -> ProgramError:
    """The error for a program that is not there, with its remedy."""
    package = _PACKAGES.get(program)
    remedy = f"install the package {package}" if package else "run `python -m tests.vmlab`"
    return ProgramError(f"{program} is missing: {remedy}")


def connected(path: Path) -> socket.socket:
    """A connection to somebody who listens on a Unix socket.  Raises OSError, and leaves nothing open."""
    client = socket.socket(socket.AF_UNIX)
    try:
        client.connect(str(path))
    except OSError:
        client.close()
        raise
    return client
