"""A process that looks at files a little before the walk does.

With cold caches most of a walk is the kernel's work, a file at a time; done ahead by a second process, it goes on
while the walk takes in what it has found. Only the system's memory passes between the two. So nothing depends on
that process: a walk without it, or with one that was killed, finds the same and takes longer.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator

import structlog

from ingestd.content import ahead_program
from ingestd.content.ahead_program import STEP

BEGIN_ENTRIES = 4_000
"""How many entries a walk has come past before it is worth a process."""
LEAD_ENTRIES = 20_000
"""How far ahead of the walk: some 25 MiB of the system's memory, which it must not drop before the walk is there."""
_AFTER_KILL_S = 1.0


class Ahead:
    """Told of what the walk below `root_fd` comes past. Never raises for want of a process."""

    def __init__(self, root_fd: int) -> None:
        self._root_fd = root_fd
        self._past = 0
        self._told = 0
        self._process: subprocess.Popen[bytes] | None = None
        self._pace_fd: int | None = None

    def past(self, entries: int) -> None:
        """The walk has come past so many more."""
        self._past += entries
        if self._past < BEGIN_ENTRIES:
            return
        if self._process is None:
            if not self._told:
                self._begin()
            self._told = self._past
            return
        steps = (self._past - self._told) // STEP
        if steps and self._pace_fd is not None:
            self._told += steps * STEP
            try:
                os.write(self._pace_fd, bytes(steps))
            except OSError:
                # It has ended, or hangs so that the pipe is full.
                self._let_go()

    def _begin(self) -> None:
        theirs, self._pace_fd = os.pipe()
        os.set_blocking(self._pace_fd, False)
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
