"""Disks that misbehave, as block devices of this machine: nbdkit's filters and scripts through nbdfuse.

A file is laid over with what nbdkit serves; a loop device over that file is a disk whose reads fail,
hang or take their time where a test says so. Needs root.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

NBD_WORKS = (
    os.geteuid() == 0 and os.path.exists("/dev/fuse") and all(map(shutil.which, ("nbdkit", "nbdfuse")))
)
NEEDS_NBD = (
    pytest.mark.root,
    pytest.mark.skipif(not NBD_WORKS, reason="needs root, /dev/fuse, nbdkit and nbdfuse"),
)
SECTOR = 512


@contextmanager
def served(at: Path, *nbdkit: str) -> Iterator[None]:
    """Lay over the file `at` what nbdkit serves with these arguments, for reading."""
    at.touch()
    log = at.with_suffix(".nbd.log")
    command = ["nbdfuse", str(at), "--command", "nbdkit", "-s", "--exit-with-parent", "--readonly", *nbdkit]
    with log.open("wb") as output:
        process = subprocess.Popen(command, stdout=output, stderr=output, start_new_session=True)
    try:
        deadline = time.monotonic() + 30
        while not os.path.ismount(at):
            assert process.poll() is None, log.read_text()
            assert time.monotonic() < deadline, "nbdfuse does not mount"
            time.sleep(0.02)
        yield
    finally:
        subprocess.run(["umount", "--lazy", str(at)], check=False, capture_output=True)
        _ended(process)


def _ended(process: subprocess.Popen[bytes]) -> None:
    """Also with a reader that hangs: once they are killed, the kernel lets it go."""
    try:
        process.wait(3)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(10)


@contextmanager
def with_bad_sectors(image: Path, at: Path, bad: Iterable[tuple[int, int]]) -> Iterator[None]:
    """The image laid over the file `at`; reads of these (first sector, count) give an input/output error."""
    table = at.with_suffix(".map")
    table.write_text("\n".join(_map_lines(sorted(bad), image.stat().st_size)))
    with served(at, "--filter=ddrescue", "file", str(image), f"ddrescue-mapfile={table}"):
        yield


def _map_lines(bad: list[tuple[int, int]], size: int) -> Iterator[str]:
    """A map file as the manual of GNU ddrescue ("Mapfile structure") has it: + is good, - is bad."""
    yield "0x0 + 1"
    at = 0
    for first, count in bad:
        yield f"{at:#x} {first * SECTOR - at:#x} +"
        yield f"{first * SECTOR:#x} {count * SECTOR:#x} -"
        at = (first + count) * SECTOR
    yield f"{at:#x} {size - at:#x} +"


@contextmanager
def that_hangs(image: Path, at: Path, begin: int, end: int) -> Iterator[Path]:
    """The image laid over the file `at`. Once the file that is given exists, reads that begin between
    these bytes wait for its end."""
    switch = at.with_suffix(".hangs")
    pread = (
        f'while [ -e "{switch}" ] && [ $4 -ge {begin} ] && [ $4 -lt {end} ]; do sleep 0.1; done; '
        f'dd if="{image}" iflag=count_bytes,skip_bytes skip=$4 count=$3 bs=1M status=none'
    )
    try:
        with served(
            at, "eval", "thread_model=echo parallel", f"get_size=stat -c %s '{image}'", f"pread={pread}"
        ):
            try:
                yield switch
            finally:
                switch.unlink(missing_ok=True)
    finally:
        switch.unlink(missing_ok=True)
