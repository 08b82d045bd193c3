"""What stands in the way of a folder store, for people who set up a station."""

from __future__ import annotations

import os

from ingestd.ports import PortError, Problem
from ingestd.store import folder_parts
from ingestd.store.folder_root import FolderRoot

_LITTLE_SPACE_BYTES = 1 << 30


def problems(root: FolderRoot) -> list[Problem]:
    """Everything that is wrong with the folder now, found by trying it out."""
    try:
        _try_out(root)
        return [*_notes_on_space(root), *_notes_on_place(root)]
    except PortError as error:
        what, _, remedy = str(error).removeprefix(f"{root}: ").partition("; ")
        return [Problem(_where(root), f"{root.path}: {what}", remedy)]


def _where(root: FolderRoot) -> str:
    return f"store {root.name}"


def _try_out(root: FolderRoot) -> None:
    """Write a scratch file and take it away again."""
    with root.errors(), root.parts() as parts_fd:
        token, fd = folder_parts.create(parts_fd, root.station)
        try:
            os.write(fd, b"scratch")
            os.fsync(fd)
        finally:
            os.close(fd)
            folder_parts.discard(parts_fd, token)


def _notes_on_space(root: FolderRoot) -> list[Problem]:
    with root.errors(), root.opened() as root_fd:
        space = os.fstatvfs(root_fd)
    free_bytes = space.f_bavail * space.f_frsize
    if not space.f_blocks or free_bytes >= _LITTLE_SPACE_BYTES:
        return []
    text = f"{root.path}: only {free_bytes >> 20} MiB are free"
    return [Problem(_where(root), text, "free some space or enlarge the file system", fatal=False)]


def _notes_on_place(root: FolderRoot) -> list[Problem]:
    if not os.path.ismount(root.path):
        return []
    text = f"{root.path}: is a mount point; when nothing is mounted there, data would fill the disk below"
    return [
        Problem(_where(root), text, "make a folder on it and name that in the configuration", fatal=False)
    ]
