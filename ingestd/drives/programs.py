"""Starting the few programs of the host that drives need."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from dataclasses import dataclass

from ingestd.drives.block import is_shortage
from ingestd.ports import ResourcesExhausted, ToolFailed

PACKAGES = {"blkid": "util-linux", "mount": "mount", "umount": "mount"}
"""The programs, and the Debian package that brings each of them (elsewhere: util-linux)."""

LIMIT_S = 30.0
_AFTER_KILL_S = 1.0


@dataclass(frozen=True, slots=True)
class Ended:
    """A program that came to its end. `words` is what it said about trouble, on one line."""

    code: int
    out: str
    words: str


def run(program: str, *arguments: str) -> Ended:
    """Run a program to its end, in the C locale, and hand back what it said.

    Raises ToolFailed when it is not installed, cannot be started, or takes longer than LIMIT_S
    seconds, and ResourcesExhausted. A program over its limit is killed but not waited for: one that is
    stuck in the kernel on a dying drive does not die, and must not take its caller along.
    """
    surroundings = {**os.environ, "LC_ALL": "C"}
    pipe, nothing = subprocess.PIPE, subprocess.DEVNULL
    try:
        child = subprocess.Popen(
            [program, *arguments], stdin=nothing, stdout=pipe, stderr=pipe, env=surroundings
        )
    except FileNotFoundError as error:
        raise ToolFailed(f"the program {program} is not installed: {_remedy(program)}") from error
    except OSError as error:
        short = ResourcesExhausted if is_shortage(error) else ToolFailed
        raise short(f"the program {program} cannot be started: {error.strerror}") from error
    try:
        out, err = child.communicate(timeout=LIMIT_S)
    except subprocess.TimeoutExpired as error:
        _give_up(child)
        raise ToolFailed(f"{program} has not ended within {LIMIT_S:g} s and was given up") from error
    words = " ".join(err.decode("utf-8", "replace").split())
    return Ended(child.returncode, out.decode("utf-8", "replace"), words)


def missing_programs() -> list[tuple[str, str]]:
    """The programs that are not there, each with the remedy."""
    return [(program, _remedy(program)) for program in PACKAGES if shutil.which(program) is None]


def _remedy(program: str) -> str:
    return f"install the package {PACKAGES.get(program, program)}"


def _give_up(child: subprocess.Popen[bytes]) -> None:
    child.kill()
    with contextlib.suppress(subprocess.TimeoutExpired):
        child.communicate(timeout=_AFTER_KILL_S)
    for stream in (child.stdout, child.stderr):
        if stream is not None:
            stream.close()
