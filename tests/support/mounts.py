"""File systems for tests that need one of their own. Only for root; gone when the test is over."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.support.drives import attach


def needs_root(test: Callable[..., Any]) -> Callable[..., Any]:
    """Skip the test where nothing can be mounted."""
    skip = pytest.mark.skipif(os.geteuid() != 0 or shutil.which("mount") is None, reason="needs root")
    marked: Callable[..., Any] = pytest.mark.root(skip(test))
    return marked


@contextlib.contextmanager
def tmpfs(folder: Path, size: str) -> Iterator[Path]:
    """A small file system in memory."""
    with _mounted(folder, "-t", "tmpfs", "-o", f"size={size}", "tmpfs"):
        yield folder


@contextlib.contextmanager
def ext4(image: Path, folder: Path) -> Iterator[Path]:
    """The ext4 file system in an image file; it writes on its own only once a minute."""
    try:
        device = attach(image)
    except subprocess.CalledProcessError as error:
        pytest.skip(f"no loop device is to be had here: {error.stderr}")
    with contextlib.ExitStack() as stack:
        try:
            stack.enter_context(_mounted(folder, "-t", "ext4", "-o", "commit=60", device))
        finally:
            _run("losetup", "-d", device)  # it goes with its last user, which is the mount
        yield folder


def make_ext4(image: Path, size_bytes: int) -> None:
    with image.open("wb") as file:
        file.truncate(size_bytes)
    _run("mkfs.ext4", "-q", "-F", str(image))


def remount(folder: Path, options: str) -> None:
    _run("mount", "-o", f"remount,{options}", str(folder))


@contextlib.contextmanager
def _mounted(folder: Path, *what: str) -> Iterator[None]:
    folder.mkdir(exist_ok=True)
    done = subprocess.run(["mount", *what, str(folder)], check=False, capture_output=True, text=True)
    if any(said in done.stderr for said in ("permission denied", "loop device")):
        pytest.skip(f"cannot mount here: {done.stderr.strip()}")
    assert done.returncode == 0, done.stderr
    try:
        yield
    finally:
        # Lazily: after a failed assertion something below may still be open.
        _run("umount", "--lazy", str(folder))


def _run(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True, timeout=60)
