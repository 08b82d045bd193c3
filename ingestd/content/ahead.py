"""A process that looks at files a little before the walk does.

With cold caches most of a walk is the kernel's work, a file at a time. A second process does it ahead while
the survey takes in what the walk has found. Only the system's memory passes between the two. So nothing
depends on that process: a walk without it, or with one that was killed, finds the same and takes longer.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys

import structlog

from ingestd.content import ahead_program
from ingestd.content.ahead_program import STEP

BEGIN_ENTRIES = 4_000
"""How many entries a walk has come past before it is worth a process."""
LEAD_ENTRIES = 20_000
"""How far ahead of the walk: some 25 MiB of the system's memory, to be there still when the walk comes."""
_AFTER_KILL_S = 1.0


class Ahead:
    """Told of what the walk below `root_fd` comes past. Never raises for want of a process.

    With `gently` there is none: a drive that may be about to fail is not asked for two things at once.
    """

    def __init__(self, root_fd: int, gently: bool = False) -> None:
        self._root_fd = root_fd
        self._wanted = not gently
        self._past = 0
        self._told = 0
        self._process: subprocess.Popen[bytes] | None = None
        self._pace_fd: int | None = None

    def past(self, entries: int) -> None:
        """The walk has come past so many more."""
        self._past += entries
        if self._wanted and self._past >= BEGIN_ENTRIES:
            self._wanted = False
            self._begin()
        elif self._pace_fd is not None and (steps := (self._past - self._told) // STEP):
            self._told += steps * STEP
            try:
                os.write(self._pace_fd, bytes(steps))
            except OSError:
                # It has ended, or hangs so that the pipe is full.
                self._let_go()

    def _begin(self) -> None:
        self._told = self._past
        theirs, self._pace_fd = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        os.set_blocking(theirs, True)
        lead = str(self._past + LEAD_ENTRIES)
        command = [sys.executable, "-I", "-S", ahead_program.__file__, str(self._root_fd), str(theirs), lead]
        quiet = subprocess.DEVNULL
        try:
            self._process = subprocess.Popen(
                command, stdin=quiet, stdout=quiet, stderr=quiet, pass_fds=(self._root_fd, theirs), cwd="/"
            )
        except OSError as error:
            structlog.get_logger("ingestd.content").info("walk_alone", text=os.strerror(error.errno or 0))
            self._let_go()
        finally:
            os.close(theirs)

    def _let_go(self) -> None:
        if self._pace_fd is not None:
            os.close(self._pace_fd)
            self._pace_fd = None

    def close(self) -> None:
        """End the process. One that hangs in the kernel is not waited for, and ends when its disk answers."""
        self._let_go()
        if self._process is not None:
            self._process.kill()
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._process.wait(_AFTER_KILL_S)
