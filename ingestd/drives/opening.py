"""What every drive that is a block device has in common: a read-only window over it, its volumes
mounted through that window, and tidying up after a process that was killed.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Collection, Sequence
from dataclasses import replace

from ingestd.core.model import VolumeFacts
from ingestd.drives import block, mounts
from ingestd.drives.programs import missing_programs
from ingestd.drives.volumes import RootedVolume, probe, root_of
from ingestd.ports import CancelToken, Problem, ToolFailed


def open_volumes(
    drive_fd: int, mounts_folder: str, stem: str, undo: contextlib.ExitStack, cancel: CancelToken
) -> tuple[list[RootedVolume], tuple[int, ...]]:
    """The volumes of a sealed drive, and the descriptors whose buffers can be dropped.

    Mounted at `<mounts_folder>/<stem>-<n>`; `undo` takes the way back. Raises DriveGoneError,
    DriveUnreadable, ToolFailed, ResourcesExhausted and Cancelled.
    """
    window = block.attach_read_only(drive_fd)
    undo.callback(os.close, window.fd)
    volumes = [_open_volume(window, facts, mounts_folder, stem, undo, cancel) for facts in probe(window)]
    # The pages of files are the mount's: a drive opened anew has none.
    return volumes, (window.fd, drive_fd)


def _open_volume(
    window: block.ReadOnlyLoop,
    facts: VolumeFacts,
    mounts_folder: str,
    stem: str,
    undo: contextlib.ExitStack,
    cancel: CancelToken,
) -> RootedVolume:
    cancel.check()
    cancel.beat()
    if facts.problem is not None or facts.file_system is None:
        return RootedVolume(facts)
    with contextlib.ExitStack() as undo_mount:
        folder = mounts.make_mount_folder(mounts_folder, stem)
        undo_mount.callback(mounts.let_go, folder)
        problem = mounts.mount(window.path, facts.file_system, folder)
        if problem is not None:
            return RootedVolume(replace(facts, problem=problem, unclean=mounts.is_unclean(problem)))
        volume = root_of(facts, folder)
        undo_mount.callback(volume.close)
        undo.enter_context(undo_mount.pop_all())
    return volume


# -- after a process that was killed ----------------------------------------------------------------


def undo_leftovers(mounts_folder: str, drives: Collection[str]) -> list[str]:
    """Unmount what is mounted below our folder and detach windows over these drives; says what it was.

    Only to be called while no drive is open.
    """
    windows = [node for node in block.loop_nodes() if node.read_only and node.backing in drives]
    points = [point for point in mounts.mount_points() if point.startswith(mounts_folder + "/")]
    said = [_unmounted(point) for point in points]
    said += [_detached(window) for window in windows]
    return said + _remove_empty_folders(mounts_folder)


def _unmounted(point: str) -> str:
    if mounts.unmount(point):
        return f"unmounted {point}"
    return f"unmounted {point}, which was busy: it goes only with its last user"


def _detached(window: block.LoopNode) -> str:
    """Says what became of it; mostly it has gone by itself with its mount."""
    what = f"{window.path}, a read-only loop device over {window.backing}"
    return f"detached {what}" if block.detach(window.path) else f"could not detach {what}: it is in use"


def _remove_empty_folders(parent: str) -> list[str]:
    removed = []
    with contextlib.suppress(FileNotFoundError), os.scandir(parent) as entries:
        for entry in sorted(entries, key=lambda entry: entry.name):
            with contextlib.suppress(OSError):
                os.rmdir(entry.path)
                removed.append(f"removed the empty folder {entry.path}")
    return removed


# -- what stands in the way -------------------------------------------------------------------------


def station_problems(mounts_folder: str) -> Sequence[Problem]:
    """What this station lacks for opening drives that are block devices."""
    found = []
    if os.geteuid() != 0:
        found.append(Problem("drives", "block devices need root", "run the daemon as root"))
    found += [
        Problem("drives", f"the program {program} is not installed", remedy)
        for program, remedy in missing_programs()
    ]
    if not os.path.exists(block.LOOP_CONTROL):
        text = f"{block.LOOP_CONTROL} is missing"
        found.append(Problem("drives", text, "load the kernel module loop"))
    return found or _mount_problems(mounts_folder)


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
