"""The status file: a picture of the station, renewed every second, which `ingestd status` reads.

Readers need neither the daemon's attention nor the journal; when the daemon is down they see the last
picture, and the lock on `running.lock` tells them that it is the last.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from typing import Any

from ingestd import __version__
from ingestd.core.snapshot import Picture
from ingestd.files import write_whole
from ingestd.telemetry import logs

FORMAT = 1

_LOCK_TRIES, _LOCK_PAUSE_S = 20, 0.05
"""How often, and after what pause, the lock is asked for: who looks at it holds it for a moment."""


def status_path(state_folder: str) -> str:
    return os.path.join(state_folder, "status.json")


def custody_folder(state_folder: str) -> str:
    return os.path.join(state_folder, "custody")


def _lock_path(state_folder: str) -> str:
    return os.path.join(state_folder, "running.lock")


class AlreadyRunning(Exception):
    """Another daemon works in this state folder."""


class StateFolderUnusable(Exception):
    """The state folder cannot be made, or nothing can be written there."""


def make_folders(state_folder: str, *below: str) -> None:
    """Make folders below the state folder where they are missing. Raises StateFolderUnusable.

    The state folder itself is not made: where it is missing, its disk is more likely not mounted, and
    a fresh start would forget everything.
    """
    if not os.path.isdir(state_folder):
        raise StateFolderUnusable(
            f"the state folder {state_folder} does not exist: mount its disk, or make it if this is the "
            "first start"
        )
    with _in_words(state_folder):
        for path in below:
            os.makedirs(path, mode=0o750, exist_ok=True)


@contextmanager
def running(state_folder: str) -> Iterator[None]:
    """Hold the lock that says a daemon is running. Raises AlreadyRunning and StateFolderUnusable."""
    with _in_words(state_folder):
        fd = os.open(_lock_path(state_folder), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        _lock(fd, state_folder)
        with _in_words(state_folder):
            os.ftruncate(fd, 0)
            os.write(fd, f"{os.getpid()}\n".encode())
        yield
    finally:
        os.close(fd)


def _lock(fd: int, state_folder: str) -> None:
    for _ in range(_LOCK_TRIES):
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            time.sleep(_LOCK_PAUSE_S)
        else:
            return
    raise AlreadyRunning(f"another ingestd is running in {state_folder}")


@contextmanager
def _in_words(state_folder: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise StateFolderUnusable(
            f"the state folder {state_folder} cannot be used ({error.strerror}): let the daemon's user write "
            "there, with some room, or correct station.state_folder"
        ) from error


def is_running(state_folder: str) -> bool:
    """Whether a daemon holds the lock now."""
    try:
        fd = os.open(_lock_path(state_folder), os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(fd)
    return False


class StatusWriter:
    """Writes the status file from its own thread; a full or slow disk never holds up the loop."""

    def __init__(
        self,
        state_folder: str,
        look: Callable[[], Picture],
        trouble: Callable[[], Sequence[str]],
        every_s: float = 1.0,
    ) -> None:
        """`trouble`: what is wrong with the station itself, in words."""
        self._path = status_path(state_folder)
        self._look = look
        self._trouble = trouble
        self._every_s = every_s
        self._stop = threading.Event()
        self._failed = False
        self.beat = time.monotonic()
        """The monotonic time at which the thread last moved on."""
        self._thread = threading.Thread(target=self._run, name="status", daemon=True)

    def start(self) -> None:
        self._remove_leftovers()
        self.write()
        self._thread.start()

    def _remove_leftovers(self) -> None:
        """Half-written pictures of processes that were killed."""
        folder, name = os.path.split(self._path)
        with contextlib.suppress(OSError):
            for entry in os.listdir(folder):
                if entry.startswith(f".{name}.") and entry.endswith(".tmp"):
                    os.unlink(os.path.join(folder, entry))

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(5)
        self.write()

    @property
    def alive(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            self.write()
            self.beat = time.monotonic()

    def write(self) -> None:
        body = {
            "format": FORMAT,
            "version": __version__,
            "pid": os.getpid(),
            "problems": list(self._trouble()),
            **asdict(self._look()),
        }
        try:
            write_whole(self._path, json.dumps(body).encode(), durable=False)
        except OSError as error:
            if not self._failed:
                logs.get().error("status_not_written", error=str(error))
            self._failed = True
        else:
            self._failed = False


def read(state_folder: str) -> dict[str, Any] | None:
    """The last picture, as written; None when there is none or it cannot be understood.

    Raises StateFolderUnusable when this user may not look.
    """
    try:
        with open(status_path(state_folder), encoding="utf-8") as file:
            body = json.load(file)
    except PermissionError:
        raise StateFolderUnusable(
            f"{status_path(state_folder)} may not be read by you: "
            "join the group of the daemon's user, or use sudo"
        ) from None
    except (OSError, ValueError):
        return None
    return body if isinstance(body, dict) and body.get("format") == FORMAT else None
