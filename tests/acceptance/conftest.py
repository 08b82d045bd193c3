"""One guest for all acceptance tests of a run: booting takes seconds, and computing in it is slow."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Iterator

import pytest

from tests.vmlab import Lab, NotPreparedError, cache_folder, prepare
from tests.vmlab.process import ProgramError

LAB_WORKS = os.geteuid() == 0 and all(map(shutil.which, ("qemu-system-x86_64", "sgdisk", "udevadm")))

NO_DELAY = "usb-storage.delay_use=0"
"""Drops the second that the driver lets a drive settle; emulated ones need none."""


@pytest.fixture(scope="session")
def lab() -> Iterator[Lab]:
    """A running guest. Only one runs at a time on a machine, whoever asks: two would crawl."""
    if not LAB_WORKS:
        pytest.skip("needs root, and qemu-system-x86, gdisk and udev")
    cache_folder().mkdir(parents=True, exist_ok=True)
    with (cache_folder() / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        try:
            prepare()
        except (NotPreparedError, ProgramError) as error:
            pytest.skip(f"needs the packages of the guest's kernel: {error}")
        with Lab(kernel_arguments=NO_DELAY) as running:
            yield running
