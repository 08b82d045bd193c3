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

from ingestd.core.model import BayName, DriveFacts, DriveHandle, Sighting
from ingestd.drives import block, mounts
from ingestd.drives.card import Card, CardSeen, bay_problems, bays_in, look_at_card
from ingestd.drives.opening import open_volumes, station_problems, undo_leftovers
from ingestd.drives.volumes import HeldDrive, tickets_of
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
            volumes, buffered = open_volumes(drive_fd, self._mounts, f"{bay}-{node.generation}", undo, cancel)
            sighting = _sighting(bay, node, card)
            facts = DriveFacts(
                identity=sighting.identity,
                interface=sighting.interface,
                volumes=tuple(volume.facts for volume in volumes),
                tickets=tickets_of(volumes),
            )
            self._find(handle)
            way_back = undo.pop_all()
        return HeldDrive(facts, volumes, way_back, lambda: self._still_there(handle), buffered)

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
        return undo_leftovers(self._mounts, [node.path for _, _, node in self._plugged_in()])

    def problems(self) -> Sequence[Problem]:
        """Everything that stands in the way of opening drives at this station."""
        return [*bay_problems(self._bays), *station_problems(self._mounts)]


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
