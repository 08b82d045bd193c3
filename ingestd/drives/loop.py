"""Disk images on loop devices in place of drives: the real way of a drive, without the hardware.

A drive is plugged in by attaching an image that lies in a bay (`losetup -f --show <bays>/bay-1/a.img`)
and unplugged by detaching it. Its card lies beside the image and names it.

An open drive is sealed, and read only through read-only loop devices over it. The seal stays until the
drive is unplugged, then it is lifted: it belongs to the node, which others use after us.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence

from ingestd.core.drive import DriveFacts, DriveHandle, HealthFacts, Sighting
from ingestd.core.model import BayName
from ingestd.drives import block
from ingestd.drives.card import Card, CardSeen, bay_problems, bays_in, look_at_card
from ingestd.drives.jws import PublicKeys
from ingestd.drives.opening import open_drive
from ingestd.drives.privileged.verbs import DeviceName, Privileged
from ingestd.drives.ticket import NO_KEYS
from ingestd.drives.volumes import HeldDrive
from ingestd.ports import (
    CancelToken,
    DriveGoneError,
    DriveSwapped,
    DriveUnreadable,
    Problem,
    ToolFailed,
)

INTERFACE = "loop"


class LoopDrives:
    """Drives that are loop devices over images below `bays_folder`, opened through the verbs."""

    def __init__(self, bays_folder: str, privileged: Privileged, keys: PublicKeys = NO_KEYS) -> None:
        self._bays = os.path.abspath(bays_folder)
        self._keys = keys
        self._privileged = privileged

    def enumerate(self) -> Sequence[Sighting]:
        """A sighting for every image in a bay that is attached; one detached while in use has gone.

        Looks into sysfs and at the cards only. Raises ToolFailed when the bays cannot be listed.
        """
        self._privileged.lift_seals()
        return [_sighting(bay, node, _card_of(node, folder)) for bay, folder, node in plugged_in(self._bays)]

    def _find(self, handle: DriveHandle) -> tuple[BayName, str, block.LoopNode]:
        """Where exactly this drive is plugged in. Raises DriveGoneError, DriveSwapped."""
        found = next((seen for seen in plugged_in(self._bays) if seen[2].path == handle.locator), None)
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

    def open(self, handle: DriveHandle, cancel: CancelToken) -> HeldDrive:
        """Seal the drive, probe it through read-only windows, and mount what can be mounted.

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
        sighting = _sighting(bay, node, card)
        major, minor, _ = block.number_and_sequence(node.path)
        return open_drive(
            self._privileged,
            DeviceName(major, minor, node.generation),
            DriveFacts(identity=sighting.identity, interface=sighting.interface),
            cancel,
            must_be_there=lambda: self._find(handle),
            still_there=lambda: self._still_there(handle),
            keys=self._keys,
        )

    # -- the rest of the port ---------------------------------------------------------------------

    def power_down(self, handle: DriveHandle) -> bool:  # noqa: ARG002  named by the port
        """A loop device has no power to cut."""
        return False

    def health(self, handle: DriveHandle) -> HealthFacts:  # noqa: ARG002  named by the port
        """A loop device keeps no account of itself."""
        return HealthFacts()

    def clean_up(self) -> Sequence[str]:
        """Undo what a dead process left: mounts, windows over drives in the bays, overlays.

        Only to be called while no drive is open.
        """
        return self._privileged.clean_up()

    def problems(self) -> Sequence[Problem]:
        """Everything that stands in the way of opening drives at this station."""
        found = list(bay_problems(self._bays))
        if any(problem.fatal for problem in found):
            return found
        return [*found, *self._privileged.problems()]


def plugged_in(bays_folder: str) -> Iterator[tuple[BayName, str, block.LoopNode]]:
    """The images in bays that are attached: the bay, its folder, and the device."""
    bays = {os.path.realpath(folder): bay for bay, folder in bays_in(bays_folder)}
    for node in block.loop_nodes():
        folder = os.path.dirname(node.backing)
        if folder in bays and not node.detached:
            yield bays[folder], folder, node


def bay_of(bays_folder: str, path: str) -> BayName | None:
    """The bay in which the image lies that is attached to this node, if it lies in one."""
    return next((bay for bay, _, node in plugged_in(bays_folder) if node.path == path), None)


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
