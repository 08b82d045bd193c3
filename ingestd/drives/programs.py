"""Starting the few programs of the host that drives need."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass

from ingestd.drives.block import is_shortage
from ingestd.ports import ResourcesExhausted, ToolFailed

PACKAGES = {"blkid": "util-linux", "mount": "mount", "umount": "mount", "sfdisk": "fdisk"}
"""The programs, and the Debian package that brings each of them (elsewhere: util-linux)."""

LIMIT_S = 30.0
_AFTER_KILL_S = 1.0
_BEAT_S = 1.0


@dataclass(frozen=True, slots=True)
class Ended:
    """A program that came to its end. `words` is what it said about trouble, on one line."""

    code: int
    out: str
    words: str


def run(
    program: str, *arguments: str, limit_s: float | None = None, beat: Callable[[], None] | None = None
) -> Ended:
    """Run a program to its end, in the C locale, and hand back what it said.

    `beat` is called about once a second while it runs. Raises ToolFailed when it is not installed,
    cannot be started, or takes longer than `limit_s` (else LIMIT_S) seconds, and ResourcesExhausted. A
    program over its limit is killed but not waited for: one that is stuck in the kernel on a dying
    drive does not die, and must not take its caller along.
    """
    child = start(program, *arguments)
    limit_s = LIMIT_S if limit_s is None else limit_s
    until = time.monotonic() + limit_s
    while True:
        try:
            out, err = child.communicate(timeout=max(0.0, min(_BEAT_S, until - time.monotonic())))
            break
        except subprocess.TimeoutExpired as error:
            if time.monotonic() >= until:
                give_up(child)
                raise ToolFailed(f"{program} has not ended within {limit_s:g} s and was given up") from error
        if beat is not None:
            beat()
    return Ended(child.returncode, out.decode("utf-8", "replace"), on_one_line(err))


def start(program: str, *arguments: str, **surroundings: str) -> subprocess.Popen[bytes]:
    """Start a program, in the C locale and with these variables. Raises ToolFailed, ResourcesExhausted."""
    pipe = subprocess.PIPE
    try:
        return subprocess.Popen(
            [program, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=pipe,
            stderr=pipe,
            env={**os.environ, "LC_ALL": "C", **surroundings},
        )
    except FileNotFoundError as error:
        raise ToolFailed(f"the program {program} is not installed: {_remedy(program)}") from error
    except OSError as error:
        short = ResourcesExhausted if is_shortage(error) else ToolFailed
        raise short(f"the program {program} cannot be started: {error.strerror}") from error


def on_one_line(said: bytes) -> str:
    return " ".join(said.decode("utf-8", "replace").split())


def missing_programs() -> list[tuple[str, str]]:
    """The programs that are not there, each with the remedy."""
    return [(program, _remedy(program)) for program in PACKAGES if shutil.which(program) is None]


def _remedy(program: str) -> str:
    return f"install the package {PACKAGES.get(program, program)}"


def give_up(child: subprocess.Popen[bytes]) -> None:
    """Kill a program and leave it behind if that does not help."""
    child.kill()
    with contextlib.suppress(subprocess.TimeoutExpired):
        child.communicate(timeout=_AFTER_KILL_S)
    for stream in (child.stdout, child.stderr):
        if stream is not None:
            stream.close()
