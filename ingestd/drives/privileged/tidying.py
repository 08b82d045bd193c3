"""Undoing what a dead process left behind, and telling what stands in the way of the verbs."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Collection

from ingestd.drives import block, mounts, overlay
from ingestd.drives.file_systems import driver_for, how_to_get
from ingestd.drives.overlay import Scratch
from ingestd.drives.privileged.verbs import BayOf
from ingestd.drives.programs import missing_programs
from ingestd.ports import PortError, Problem, ToolFailed


def clean_up(mounts_folder: str, scratch: Scratch, bay_of: BayOf) -> list[str]:
    """Undo mounts below our folders, windows over drives in the bays, and overlays; say what it was."""
    windows = [*_windows(bay_of), *_overlays(scratch)]
    said = [_unmounted(point) for point in _points_below(mounts_folder)]
    said += overlay.remove_left_behind(scratch)
    said += [_detached(window) for window in windows]
    said += [_unmounted(point) for point in _points_below(scratch.folder)]
    return said + _remove_empty_folders(mounts_folder) + _remove_empty_folders(scratch.folder)


def _points_below(folder: str) -> list[str]:
    return [point for point in mounts.mount_points() if _is_below(point, folder)]


def _is_below(path: str, folder: str) -> bool:
    return path.startswith(os.path.realpath(folder) + "/")


def _windows(bay_of: BayOf) -> list[block.LoopNode]:
    """Read-only loop devices over drives in the bays."""
    nodes = [node for node in block.loop_nodes() if node.read_only and node.backing.startswith("/dev/")]
    return [node for node in nodes if bay_of(node.backing) is not None]


def _overlays(scratch: Scratch) -> list[block.LoopNode]:
    return [node for node in block.loop_nodes() if _is_below(node.backing, scratch.folder)]


def lift_seal(path: str) -> None:
    """Make a device writable again, if it is still there."""
    with contextlib.suppress(PortError):
        fd = block.open_device(path)
        try:
            block.set_sealed(fd, False)
        finally:
            os.close(fd)


def _unmounted(point: str) -> str:
    if mounts.unmount(point):
        return f"unmounted {point}"
    return f"unmounted {point}, which was busy: it goes only with its last user"


def _detached(window: block.LoopNode) -> str:
    """Says what became of it; mostly it has gone by itself with its mount."""
    kind = "a read-only" if window.read_only else "a"
    what = f"{window.path}, {kind} loop device over {window.backing}"
    return f"detached {what}" if block.detach(window.path) else f"could not detach {what}: it is in use"


def _remove_empty_folders(parent: str) -> list[str]:
    removed = []
    with contextlib.suppress(FileNotFoundError), os.scandir(parent) as entries:
        for entry in sorted(entries, key=lambda entry: entry.name):
            with contextlib.suppress(OSError):
                os.rmdir(entry.path)
                removed.append(f"removed the empty folder {entry.path}")
    return removed


def _mount_problems(parent: str) -> list[Problem]:
    """Whether something can be mounted here with our options, tried out."""
    try:
        folder = mounts.make_mount_folder(parent, "trial")
    except ToolFailed as error:
        return [Problem("drives", str(error), f"make {parent} writable for the daemon")]
    try:
        complaint = mounts.trial_mount(folder)
    finally:
        mounts.let_go(folder)
    if complaint is None:
        return []
    text = f"nothing can be mounted with {mounts.OPTIONS}: {complaint}"
    return [Problem("drives", text, "use Linux 5.10 and util-linux 2.38 or later, and allow mounts")]


def problems(mounts_folder: str, scratch: Scratch, demanded: Collection[str]) -> list[Problem]:
    """Everything that keeps the verbs from working here."""
    found = []
    if os.geteuid() != 0:
        found.append(Problem("drives", "sealing and mounting need root", "run it as root, or with a helper"))
    found += [
        Problem("drives", f"the program {program} is not installed", remedy)
        for program, remedy in missing_programs()
    ]
    if not os.path.exists(block.LOOP_CONTROL):
        text = f"{block.LOOP_CONTROL} is missing"
        found.append(Problem("drives", text, "load the kernel module loop"))
    if not found:
        found += _mount_problems(mounts_folder)
    return [*found, *_driver_problems(demanded), *_overlay_problems(scratch)]


def _driver_problems(demanded: Collection[str]) -> list[Problem]:
    found = []
    for name in demanded:
        try:
            driver_for(name)
        except ToolFailed as error:
            found.append(Problem("drives.file_systems", str(error), how_to_get(name), False))
    return found


def _overlay_problems(scratch: Scratch) -> list[Problem]:
    if scratch.bytes_max == 0 or overlay.ways():
        return []
    text = "no overlays can be made, so volumes that were not cleanly unmounted are findings"
    remedy = "install dmsetup (with the kernel module dm-snapshot), or nbdkit and libnbd-bin"
    return [Problem("drives.overlay_bytes_max", text, remedy, False)]
