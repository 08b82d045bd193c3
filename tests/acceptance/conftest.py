"""One guest for all acceptance tests of a run: booting takes seconds, and computing in it is slow."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from tests.support.daemon import sealed
from tests.vmlab import DriveSpec, GuestError, Lab, NotPreparedError, cache_folder, make_image, prepare
from tests.vmlab.process import ProgramError

LAB_WORKS = os.geteuid() == 0 and all(map(shutil.which, ("qemu-system-x86_64", "sgdisk", "udevadm")))

TIMEOUT_S = 1500
"""For a test, with the guest's start and the wait for its turn: everything is slow in there."""

NO_DELAY = "usb-storage.delay_use=0"
"""Drops the second that the driver lets a drive settle; emulated ones need none."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if item.path.parent == Path(__file__).parent:
            item.add_marker(pytest.mark.timeout(TIMEOUT_S))


SATA_FILES = {"east.enc": sealed(150_000, 9)}
SATA_SERIAL = "KQX-SATA"


@pytest.fixture(scope="session")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Lab]:
    """A running guest, with a SATA drive from the start.

    Only one runs at a time on a machine, whoever asks: two would crawl.
    """
    if not LAB_WORKS:
        pytest.skip("needs root, and qemu-system-x86, gdisk and udev")
    cache_folder().mkdir(parents=True, exist_ok=True)
    with (cache_folder() / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        try:
            prepare()
        except (NotPreparedError, ProgramError) as error:
            pytest.skip(f"needs the packages of the guest's kernel: {error}")
        folder = tmp_path_factory.mktemp("lab")
        image = folder / "sata.img"
        make_image(image, "16M", "gpt", "ext4", "EAST", SATA_FILES)
        sata = DriveSpec(image, SATA_SERIAL, bus="sata")
        with booted(Lab(drives=[sata], cpus=1, kernel_arguments=NO_DELAY, folder=folder)) as running:
            yield running


@contextmanager
def booted(lab: Lab) -> Iterator[Lab]:
    """The lab, started again when the guest's kernel trips over the emulator, as on a busy host it may.

    Seen once with two processors, where one had changed code that the other ran; so it has one.
    """
    for last in (False, False, True):
        with ExitStack() as stack:
            try:
                stack.enter_context(lab)
            except GuestError:
                if last:
                    raise
                continue
            yield lab
            return
