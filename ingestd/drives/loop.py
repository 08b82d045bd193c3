"""Disk images on loop devices in place of drives: the real way of a drive, without the hardware.

A drive is plugged in by attaching an image that lies in a bay (`losetup -f --show <bays>/bay-1/a.img`)
and unplugged by detaching it. Its card lies beside the image and names it. Needs root.

An open drive is sealed, and read only through a second, read-only loop device over it. The seal stays
until the drive is unplugged, then it is lifted: it belongs to the node, which others use after us.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator, Sequence
from dataclasses import replace

from ingestd.core.model import BayName, DriveFacts, DriveHandle, Sighting, VolumeFacts
from ingestd.drives import block, mounts
from ingestd.drives.card import Card, CardSeen, bay_problems, bays_in, look_at_card
from ingestd.drives.programs import missing_programs
from ingestd.drives.volumes import HeldDrive, RootedVolume, probe, root_of, tickets_of
from ingestd.ports import (
    CancelToken,
    DriveGoneError,
    DriveSwapped,
    DriveUnreadable,
    PortError,
    Problem,
    ToolFailed,
)

INTERFACE = "loop"


class LoopDrives:
    """Drives that are loop devices over images below `bays_folder`, mounted below `mounts_folder`.

    Both folders are this daemon's own; `clean_up` unmounts whatever it finds in the second.
    """

    def __init__(self, bays_folder: str, mounts_folder: str) -> None:
        self._bays = os.path.abspath(bays_folder)
        self._mounts = os.path.realpath(mounts_folder)
        self._sealed: set[str] = set()
        """Nodes to which the seal has to be lifted once they are free."""
        self._lock = threading.Lock()

    # -- looking ----------------------------------------------------------------------------------

    def enumerate(self) -> Sequence[Sighting]:
        """A sighting for every image in a bay that is attached; one detached while in use has gone.

        Looks into sysfs and at the cards only. Raises ToolFailed when the bays cannot be listed.
        """
        self._lift_seals()
        return [_sighting(bay, node, _card_of(node, folder)) for bay, folder, node in self._plugged_in()]

    def _plugged_in(self) -> Iterator[tuple[BayName, str, block.LoopNode]]:
        bays = {os.path.realpath(folder): bay for bay, folder in bays_in(self._bays)}
        for node in block.loop_nodes():
            folder = os.path.dirname(node.backing)
            if folder in bays and not node.detached:
                yield bays[folder], folder, node

    def _find(self, handle: DriveHandle) -> tuple[BayName, str, block.LoopNode]:
        """Where exactly this drive is plugged in. Raises DriveGoneError, DriveSwapped."""
        found = next((seen for seen in self._plugged_in() if seen[2].path == handle.locator), None)
        if found is None:
            raise DriveGoneError(f"the drive at {handle.locator} is no longer there")
        self._same(handle, found[2].generation)
        return found

    def _same(self, handle: DriveHandle, sequence: int) -> None:
        if block.generation_of(sequence) != handle.generation:
            raise DriveSwapped(
                f"another drive is at {handle.locator} now, or it was plugged in anew: "
                f"the disk sequence number {sequence} is not the one that it was seen with"
            )

    def _still_there(self, handle: DriveHandle) -> bool:
        try:
            self._find(handle)
        except (DriveGoneError, DriveSwapped):
            return False
        return True

    # -- opening ----------------------------------------------------------------------------------

    def open(self, handle: DriveHandle, cancel: CancelToken) -> HeldDrive:
        """Seal the drive, put a read-only window over it, probe, and mount what can be mounted.

        Everything is undone if that fails on the way. Raises DriveGoneError, DriveSwapped,
        DriveUnreadable, and ToolFailed or ResourcesExhausted for what the station lacks.
        """
        try:
            return self._open(handle, cancel)
        except (DriveUnreadable, ToolFailed):
            self._find(handle)  # a drive that was pulled meanwhile is gone, not at fault
            raise
        except OSError as error:
            raise block.translated(error, handle.locator) from error

    def _open(self, handle: DriveHandle, cancel: CancelToken) -> HeldDrive:
        cancel.check()
        bay, folder, node = self._find(handle)
        card = _card_of(node, folder)
        if card is not None and card.card is None:
            raise ToolFailed(card.problem or "")
        with contextlib.ExitStack() as undo:
            drive_fd = block.open_device(handle.locator)
            undo.callback(os.close, drive_fd)
            self._same(handle, block.disk_sequence(drive_fd))
            self._seal(handle, drive_fd)
            window = block.attach_read_only(drive_fd)
            undo.callback(os.close, window.fd)
            stem = f"{bay}-{node.generation}"
            volumes = [self._open_volume(window, facts, stem, undo, cancel) for facts in probe(window)]
            sighting = _sighting(bay, node, card)
            facts = DriveFacts(
                identity=sighting.identity,
                interface=sighting.interface,
                volumes=tuple(volume.facts for volume in volumes),
                tickets=tickets_of(volumes),
            )
            self._find(handle)
            way_back = undo.pop_all()

        # The pages of files are the mount's: a drive opened anew has none.
        buffered = (window.fd, drive_fd)
        return HeldDrive(facts, volumes, way_back, lambda: self._still_there(handle), buffered)

    def _open_volume(
        self,
        window: block.ReadOnlyLoop,
        facts: VolumeFacts,
        stem: str,
        undo: contextlib.ExitStack,
        cancel: CancelToken,
    ) -> RootedVolume:
        cancel.check()
        cancel.beat()
        if facts.problem is not None or facts.file_system is None:
            return RootedVolume(facts)
        with contextlib.ExitStack() as undo_mount:
            folder = mounts.make_mount_folder(self._mounts, stem)
            undo_mount.callback(mounts.let_go, folder)
            problem = mounts.mount(window.path, facts.file_system, folder)
            if problem is not None:
                return RootedVolume(replace(facts, problem=problem, unclean=mounts.is_unclean(problem)))
            volume = root_of(facts, folder)
            undo_mount.callback(volume.close)
            undo.enter_context(undo_mount.pop_all())
        return volume

    # -- the seal ---------------------------------------------------------------------------------

    def _seal(self, handle: DriveHandle, drive_fd: int) -> None:
        """Raises ToolFailed when something else writes to the drive, or could."""
        if place := mounts.mount_point_of(handle.locator):
            raise ToolFailed(
                f"something else has mounted {handle.locator} at {place}: "
                "unmount it there, and keep automounters away from the bays"
            )
        with self._lock:
            block.set_sealed(drive_fd, True)
            self._sealed.add(handle.locator)

    def _lift_seals(self) -> None:
        """Make nodes writable again that we sealed and that nothing is attached to any more."""
        with self._lock:
            for path in [path for path in self._sealed if block.loop_node(path) is None]:
                self._sealed.remove(path)
                _lift_seal(path)

    # -- the rest of the port ---------------------------------------------------------------------

    def power_down(self, handle: DriveHandle) -> bool:  # noqa: ARG002  named by the port
        """A loop device has no power to cut."""
        return False

    def clean_up(self) -> Sequence[str]:
        """Undo what a dead process left: mounts below our folder, windows over drives in the bays.

        Only to be called while no drive is open.
        """
        drives = [node.path for _, _, node in self._plugged_in()]
        windows = [node for node in block.loop_nodes() if node.read_only and node.backing in drives]
        points = [point for point in mounts.mount_points() if point.startswith(self._mounts + "/")]
        said = [_unmounted(point) for point in points]
        said += [_detached(window) for window in windows]
        return said + _remove_empty_folders(self._mounts)

    def problems(self) -> Sequence[Problem]:
        """Everything that stands in the way of opening drives at this station."""
        found = list(bay_problems(self._bays))
        if os.geteuid() != 0:
            found.append(Problem("drives", "loop devices need root", "run the daemon as root"))
        found += [
            Problem("drives", f"the program {program} is not installed", remedy)
            for program, remedy in missing_programs()
        ]
        if not os.path.exists(block.LOOP_CONTROL):
            text = f"{block.LOOP_CONTROL} is missing"
            found.append(Problem("drives", text, "load the kernel module loop"))
        return found or _mount_problems(self._mounts)


def _card_of(node: block.LoopNode, folder: str) -> CardSeen | None:
    """The card in the bay, unless it is about another image."""
    seen = look_at_card(folder)
    image = os.path.basename(node.backing).removesuffix(" (deleted)")
    about_another = seen is not None and seen.card is not None and seen.card.image != image
    return None if about_another else seen


def _sighting(bay: BayName, node: block.LoopNode, seen: CardSeen | None) -> Sighting:
    card = seen.card if seen is not None and seen.card is not None else Card()
    return Sighting(
        bay=bay,
        handle=DriveHandle(locator=node.path, generation=block.generation_of(node.generation)),
        identity=card.identity(node.size_bytes),
        interface=card.interface or INTERFACE,
    )


def _lift_seal(path: str) -> None:
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
