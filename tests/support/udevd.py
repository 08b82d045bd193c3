"""A real udev for tests: the one that runs, or a systemd-udevd that lives as long as some test needs it.

There is one udev to a machine, so that test runs beside each other share it: whoever comes first starts it,
whoever leaves last ends it. It leaves loop devices alone but those over images that a test has named.
"""

from __future__ import annotations

import fcntl
import os
import shutil
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.support.drives import LOOPS_WORK

DAEMON = "/lib/systemd/systemd-udevd"
_LOCK = "/tmp/ingestd-tests-udevd.lock"
_RULES = Path("/run/udev/rules.d")

HERE = f"bench{os.getpid()}"
"""Begins the physical paths of this run's disks: others test beside us, on the same machine."""

_SOON_S = 20.0

UDEV_ONLY = (
    pytest.mark.root,
    pytest.mark.skipif(
        not LOOPS_WORK or shutil.which("udevadm") is None or not os.path.exists(DAEMON),
        reason="needs root, loop devices and udev",
    ),
)

_LOOPS = 'SUBSYSTEM=="block", KERNEL=="loop*"'
_OURS = {
    # Nobody else's loop devices are opened or watched, which would keep them from being detached.
    "00-ingestd-tests.rules": f'{_LOOPS}, ENV{{UDEV_DISABLE_PERSISTENT_STORAGE_RULES_FLAG}}="1"\n',
    "99-zz-ingestd-tests.rules": f'{_LOOPS}, OPTIONS+="nowatch"\n',
    # The network belongs to other tests.
    "80-net-setup-link.rules": "",
}


@contextmanager
def udevd() -> Iterator[None]:
    """A udev that runs, from here on until the end."""
    with open(_LOCK, "a+", encoding="ascii") as lock:
        while True:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not _answers():
                _start(lock.fileno())
            fcntl.flock(lock, fcntl.LOCK_SH)
            if _answers():
                break
        try:
            yield
        finally:
            _end_if_last(lock.fileno())


def _answers() -> bool:
    return (
        os.path.exists("/run/udev/control") and _udevadm("control", "--ping", "--timeout=5", check=False) == 0
    )


def _start(lock: int) -> None:
    _RULES.mkdir(parents=True, exist_ok=True)
    for name, text in _OURS.items():
        (_RULES / name).write_text(text)
    os.ftruncate(lock, 0)
    os.write(lock, b"started by tests\n")
    subprocess.run([DAEMON, "--daemon"], check=True, stdin=subprocess.DEVNULL, close_fds=True)
    until = time.monotonic() + _SOON_S
    while not _answers():
        assert time.monotonic() < until, "systemd-udevd does not answer"
        time.sleep(0.05)


def _end_if_last(lock: int) -> None:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return
    if os.fstat(lock).st_size == 0:
        return  # the machine's own
    _udevadm("control", "--exit", check=False)
    until = time.monotonic() + _SOON_S
    while _answers() and time.monotonic() < until:
        time.sleep(0.05)
    for name in _OURS:
        (_RULES / name).unlink(missing_ok=True)
    os.ftruncate(lock, 0)


def _udevadm(*arguments: str, check: bool = True) -> int:
    return subprocess.run(["udevadm", *arguments], check=check, capture_output=True, timeout=60).returncode


def settle() -> None:
    """Until udev has dealt with everything that the kernel has told it."""
    _udevadm("settle", "--timeout=20")


@contextmanager
def told_of_images(folder: Path) -> Iterator[None]:
    """Lets udev read what it is to say of an image below `folder` from a file beside it (`tell`)."""
    path = _RULES / f"59-ingestd-tests-{os.getpid()}-{folder.name}.rules"
    ours = f'SUBSYSTEM=="block", KERNEL=="loop*", ATTR{{loop/backing_file}}=="{os.path.realpath(folder)}/*"'
    path.write_text(
        f'{ours}, ENV{{UDEV_DISABLE_PERSISTENT_STORAGE_RULES_FLAG}}="", '
        'IMPORT{file}="$attr{loop/backing_file}.udev"\n'
    )
    _udevadm("control", "--reload")
    try:
        yield
    finally:
        path.unlink()
        _udevadm("control", "--reload", check=False)


@contextmanager
def rules_in_force(name: str, text: str) -> Iterator[str]:
    """A file of rules that udev follows until the end, under this name and a number of ours, which it gives.

    The rules must be about nobody else's devices.
    """
    path = _RULES / name.replace(".rules", f"-{os.getpid()}.rules")
    path.write_text(text)
    _udevadm("control", "--reload")
    try:
        yield path.name
    finally:
        path.unlink()
        _udevadm("control", "--reload", check=False)


def tell(image: Path, properties: Mapping[str, str]) -> None:
    """What udev is to say of the image once it is attached."""
    Path(f"{image}.udev").write_text("".join(f"{name}={value}\n" for name, value in properties.items()))
