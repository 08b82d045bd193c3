"""A process in a mount namespace and a process namespace of its own.

Numbers are those of linux/sched.h, linux/mount.h and linux/prctl.h.
"""

from __future__ import annotations

import ctypes
import os
import signal
from collections.abc import Callable

from ingestd.ports import ToolFailed

_CLONE_NEWNS, _CLONE_NEWPID = 0x0002_0000, 0x2000_0000
_MS_REC, _MS_SLAVE = 0x4000, 0x8_0000
_PR_SET_PDEATHSIG = 1

_libc = ctypes.CDLL(None, use_errno=True)


def in_namespaces(work: Callable[[], None]) -> int:
    """Do the work as the first process of new namespaces; the exit status.

    The first process of a process namespace takes all others in it along when it ends: programs that
    serve mounts must not outlive it.
    """
    _die_with_parent()
    for signal_ in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(signal_, signal.SIG_DFL)
    _check(_libc.unshare(_CLONE_NEWNS | _CLONE_NEWPID), "unshare")
    # What the host mounts and unmounts later is seen here; what is mounted here is not seen there.
    _check(_libc.mount(None, b"/", None, _MS_REC | _MS_SLAVE, None), "mount")
    child = os.fork()
    if child:
        _, status = os.waitpid(child, 0)
        return os.waitstatus_to_exitcode(status) & 0xFF
    status = 1
    try:
        _die_with_parent()
        os.umask(0o022)  # some drivers give files that have no permissions those that it leaves
        work()
        status = 0
    finally:
        os._exit(status)


def _die_with_parent() -> None:
    _check(_libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0), "prctl")


def _check(answer: int, what: str) -> None:
    if answer != 0:
        number = ctypes.get_errno()
        raise ToolFailed(f"{what}: {os.strerror(number)}; the helper has to run as root")
