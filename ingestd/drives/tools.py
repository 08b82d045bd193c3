"""Which versions of the kernel and of the programs around drives are here, for the records of custody."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterable, Iterator

from ingestd.core.custody import Surroundings, Tool
from ingestd.drives.programs import run
from ingestd.ports import PortError

_ASKED = {
    "smartctl": "--version",
    "mount": "--version",
    "losetup": "--version",
    "blkid": "--version",
    "sfdisk": "--version",
    "ntfs-3g": "--version",
    "mount.exfat-fuse": "-V",
    "dmsetup": "version",
    "nbdkit": "--version",
    "nbdfuse": "--version",
}
"""Programs that look at drives or serve mounts and overlays, and how each is asked for its version."""

_VERSION = re.compile(r"\d+(?:\.\d+)+[\w.+~-]*")
_LIMIT_S = 3.0


def surroundings(daemon: str, programs: Iterable[str] = tuple(_ASKED)) -> Surroundings:
    """What is here. A program that is not installed is not in it; one that does not say is `unknown`."""
    return Surroundings(daemon=daemon, kernel=os.uname().release, tools=tuple(_tools(programs)))


def _tools(programs: Iterable[str]) -> Iterator[Tool]:
    for program in programs:
        if shutil.which(program) is not None:
            yield Tool(name=program, version=_version_of(program))


def _version_of(program: str) -> str:
    try:
        ended = run(program, _ASKED[program], limit_s=_LIMIT_S)
    except PortError:
        return "unknown"
    found = _VERSION.search(f"{ended.out} {ended.words}")
    return found[0] if found else "unknown"
