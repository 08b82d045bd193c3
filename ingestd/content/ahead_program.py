"""Looks at everything below a folder as the walk will, so that the walk finds it in the system's memory.

    python -I -S ahead_program.py ROOT_FD PACE_FD LEAD

A program of its own that imports nothing of the rest, since it has to be there at once. Nobody hears what
it finds. It looks at LEAD entries, and at STEP more for each byte that comes from PACE_FD. It ends with the
folder, with PACE_FD, and with the first error: a disk that gives any is left to one reader.
"""

import os
import sys

STEP = 500
CHUNK = 32_768
"""How many entries of a folder are taken by inode at a time: as many as the walk takes, to keep in step."""
DEPTH_MAX = 256
HELD_MAX = 131_072
"""How many subfolders are yet to be entered, of all folders on the way; with more the walk is left alone."""
_OPEN_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC

Entry = tuple[int, str, bool]
"""Inode, name, and whether it is a folder."""


class Over(Exception):
    """The walk has ended, or something cannot be looked at."""


class Pace:
    """How many more entries may be looked at."""

    def __init__(self, fd: int, left: int) -> None:
        self._fd = fd
        self._left = left
        self._held = 0

    def hold(self, folders: int) -> None:
        """So many more subfolders are kept for later. Raises Over."""
        self._held += folders
        if self._held > HELD_MAX:
            raise Over

    def take(self, entries: int) -> None:
        """Wait until so many may be. Raises Over."""
        self._left -= entries
        while self._left < 0:
            steps = len(os.read(self._fd, 4096))
            if not steps:
                raise Over
            self._left += steps * STEP


def look(fd: int, above: tuple[tuple[int, int], ...], pace: Pace) -> None:
    """At all that lies below a folder; `above` are device and inode of it, last, and of those it lies in."""
    with os.scandir(fd) as listing:
        while chunk := _chunk(listing):
            for at in range(0, len(chunk), STEP):
                part = chunk[at : at + STEP]
                pace.take(len(part))
                for _, name, _ in part:
                    # It makes the system read the same as os.stat does, for a quarter of the work here.
                    if not os.access(name, os.F_OK, dir_fd=fd, follow_symlinks=False):
                        raise Over
            folders = [name for _, name, is_folder in chunk if is_folder and len(above) <= DEPTH_MAX]
            # Files are forgotten before the way goes down, where each level may have as many again.
            del part
            chunk.clear()
            pace.hold(len(folders))
            for name in folders:
                _enter(fd, name, above, pace)
            pace.hold(-len(folders))


def _chunk(listing: "os._ScandirIterator[str]") -> list[Entry]:
    chunk = list[Entry]()
    for entry in listing:
        chunk.append((entry.inode(), entry.name, entry.is_dir(follow_symlinks=False)))
        if len(chunk) == CHUNK:
            break
    chunk.sort()
    return chunk


def _enter(parent_fd: int, name: str, above: tuple[tuple[int, int], ...], pace: Pace) -> None:
    if _identity(os.stat(name, dir_fd=parent_fd, follow_symlinks=False))[0] != above[0][0]:
        return
    fd = os.open(name, _OPEN_FOLDER, dir_fd=parent_fd)
    try:
        identity = _identity(os.fstat(fd))
        if identity[0] == above[0][0] and identity not in above:
            look(fd, (*above, identity), pace)
    finally:
        os.close(fd)


def _identity(status: os.stat_result) -> tuple[int, int]:
    return status.st_dev, status.st_ino


def main() -> None:
    root_fd, pace_fd, lead = map(int, sys.argv[1:])
    try:
        look(root_fd, (_identity(os.fstat(root_fd)),), Pace(pace_fd, lead))
    except (OSError, Over):
        sys.exit(1)


if __name__ == "__main__":
    main()
