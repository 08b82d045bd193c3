"""Runs a program as a unit's sandbox lets it: capabilities, system calls, memory, network. Only for root.

    python -m tests.support.confined UNIT.service PROGRAM ...

What the service manager does itself with namespaces and cgroups of devices is not done here. The sets of
system calls are systemd's own, by `systemd-analyze syscall-filter`; the filter is made by libseccomp.
"""

from __future__ import annotations

import ctypes
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

UNITS = Path(__file__).parents[2] / "systemd"
NOBODY = 65534
_LIBC = ctypes.CDLL(None, use_errno=True)
# linux/prctl.h, linux/securebits.h, linux/sched.h, linux/capability.h
_PR_CAPBSET_DROP, _PR_SET_SECUREBITS, _PR_SET_NO_NEW_PRIVS = 24, 28, 38
_NO_SETUID_FIXUP = 1 << 2
_PR_SET_MDWE, _MDWE_REFUSE_EXEC_GAIN = 65, 1
_CLONE_NEWNET = 0x4000_0000
_CAPABILITIES = {"CAP_DAC_READ_SEARCH": 2, "CAP_SYS_RAWIO": 17, "CAP_SYS_ADMIN": 21}
_ALLOW, _EPERM = 0x7FFF0000, 0x00050001


def works() -> bool:
    return os.geteuid() == 0 and shutil.which("systemd-analyze") is not None


def command(unit: str) -> Sequence[str]:
    """What to put before a program."""
    return (sys.executable, "-m", "tests.support.confined", unit)


def settings(unit: str) -> Mapping[str, list[str]]:
    """Each key with its values, in their order."""
    found: dict[str, list[str]] = {}
    for line in (UNITS / unit).read_text().splitlines():
        name, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(name, []).append(value)
    return found


def allowed(filters: Sequence[str]) -> set[str]:
    """The system calls that the lines of SystemCallFilter= come to."""
    sets = _sets()

    def calls(name: str) -> set[str]:
        return set().union(*map(calls, sets[name])) if name.startswith("@") else {name}

    found = calls("@default")
    for line in filters:
        named = set().union(*map(calls, line.removeprefix("~").split()))
        found = found - named if line.startswith("~") else found | named
    return found


def _sets() -> Mapping[str, list[str]]:
    told = subprocess.run(["systemd-analyze", "syscall-filter"], capture_output=True, text=True, check=True)
    sets: dict[str, list[str]] = {}
    name = ""
    for line in re.sub(r"\x1b\[[0-9;]*m", "", told.stdout).splitlines():
        word = line.strip()
        if line.startswith("@"):
            name = word
            sets[name] = []
        elif word and not word.startswith("#") and name:
            sets[name].append(word)
    return sets


def confine(calls: set[str]) -> None:
    """Have every other call fail with EPERM, from now on and for all programs that are started."""
    library = ctypes.CDLL("libseccomp.so.2")
    library.seccomp_init.restype = ctypes.c_void_p
    context = ctypes.c_void_p(library.seccomp_init(ctypes.c_uint32(_EPERM)))
    for call in calls:
        number = library.seccomp_syscall_resolve_name(call.encode())
        if number >= 0:
            library.seccomp_rule_add(context, ctypes.c_uint32(_ALLOW), number, 0)
    if library.seccomp_load(context) != 0:
        raise OSError("the filter could not be put to work")


def main() -> None:
    unit, *program = sys.argv[1:]
    known = settings(unit)
    kept = {_CAPABILITIES[name] for name in known["CapabilityBoundingSet"][0].split()}
    calls = allowed(known["SystemCallFilter"])
    if known.get("PrivateNetwork") == ["yes"]:
        _do("unshare", _CLONE_NEWNET)
    _do("prctl", _PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    last = int(Path("/proc/sys/kernel/cap_last_cap").read_text())
    for number in set(range(last + 1)) - kept:
        _do("prctl", _PR_CAPBSET_DROP, number, 0, 0, 0)
    if not kept:
        # Capabilities go with the program that is started, so that it can be reached wherever it is.
        _do("prctl", _PR_SET_SECUREBITS, _NO_SETUID_FIXUP, 0, 0, 0)
        os.setgroups([])
        os.setresgid(NOBODY, NOBODY, NOBODY)
        os.setresuid(NOBODY, NOBODY, NOBODY)
    if known.get("MemoryDenyWriteExecute") == ["yes"]:
        # Kernels before 6.3 cannot; the filter is tested all the same.
        _LIBC.prctl(_PR_SET_MDWE, _MDWE_REFUSE_EXEC_GAIN, 0, 0, 0)
    confine(calls)
    os.execvp(program[0], program)


def _do(call: str, *arguments: int) -> None:
    if getattr(_LIBC, call)(*arguments) != 0:
        raise OSError(ctypes.get_errno(), f"{call}{arguments}")


if __name__ == "__main__":
    main()
