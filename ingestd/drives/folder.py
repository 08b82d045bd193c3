"""Folders in place of drives: works everywhere, needs no rights, and mounts nothing.

A drive is plugged in when its card appears in a bay, and unplugged when the card goes.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence

from ingestd.core.drive import DriveFacts, DriveHandle, DriveIdentity, HealthFacts, Sighting, VolumeFacts
from ingestd.core.model import BayName
from ingestd.drives.card import Card, CardSeen, CardVolume, bay_problems, bays_in, look_at_card
from ingestd.drives.jws import PublicKeys
from ingestd.drives.ticket import NO_KEYS
from ingestd.drives.volumes import HeldDrive, RootedVolume, root_of, with_tickets
from ingestd.ports import CancelToken, DriveGoneError, DriveSwapped, Problem, ToolFailed

INTERFACE = "folder"


class FolderDrives:
    """Drives that are folders, one to a bay. They are read and never written to."""

    def __init__(self, bays_folder: str, keys: PublicKeys = NO_KEYS) -> None:
        self._bays = os.path.abspath(bays_folder)
        self._keys = keys

    def enumerate(self) -> Sequence[Sighting]:
        """A sighting for every bay with a card. Raises ToolFailed when the bays cannot be listed."""
        seen = ((bay, folder, look_at_card(folder)) for bay, folder in bays_in(self._bays))
        return [_sighting(bay, folder, card) for bay, folder, card in seen if card is not None]

    def open(self, handle: DriveHandle, cancel: CancelToken) -> HeldDrive:
        """Open the root folder of every volume on the card; one that cannot be opened has a problem.

        Raises DriveGoneError, DriveSwapped, ToolFailed for a card that is not valid (the bench's fault,
        never the drive's) and ResourcesExhausted for what the station lacks.
        """
        cancel.check()
        card = self._card(handle)
        with contextlib.ExitStack() as undo:
            volumes: list[RootedVolume] = []
            for entry in card.volumes or ():
                cancel.check()
                volumes.append(_open_volume(handle.locator, f"volume-{len(volumes) + 1}", entry))
                undo.callback(volumes[-1].close)
            facts = DriveFacts(
                identity=card.identity(card.size_bytes),
                interface=card.interface or INTERFACE,
                volumes=tuple(volume.facts for volume in volumes),
            )
            facts = with_tickets(facts, volumes, self._keys)
            self._card(handle)  # what was opened is this drive's only if its card is still there
            way_back = undo.pop_all()
        return HeldDrive(facts, volumes, way_back, lambda: self._still_there(handle))

    def power_down(self, handle: DriveHandle) -> bool:  # noqa: ARG002  named by the port
        """A folder has no power to cut."""
        return False

    def health(self, handle: DriveHandle) -> HealthFacts:  # noqa: ARG002  named by the port
        """A folder keeps no account of itself."""
        return HealthFacts()

    def clean_up(self) -> Sequence[str]:
        """Nothing of a folder drive outlives the process."""
        return []

    def problems(self) -> Sequence[Problem]:
        return bay_problems(self._bays)

    def _card(self, handle: DriveHandle) -> Card:
        """The card of exactly this drive."""
        bay = os.path.basename(handle.locator)
        seen = look_at_card(handle.locator) if os.path.dirname(handle.locator) == self._bays else None
        if seen is None:
            raise DriveGoneError(f"the drive in bay {bay} is no longer there: its card is gone")
        if seen.generation != handle.generation:
            raise DriveSwapped(f"another drive is in bay {bay} now: its card was replaced")
        if seen.card is None:
            raise ToolFailed(seen.problem or "")
        if seen.card.volumes is None:
            raise ToolFailed(f"the card of the drive in bay {bay} has no 'volumes'; name its folders there")
        return seen.card

    def _still_there(self, handle: DriveHandle) -> bool:
        try:
            self._card(handle)
        except (DriveGoneError, DriveSwapped, ToolFailed):
            return False
        return True


def _sighting(bay: BayName, folder: str, seen: CardSeen) -> Sighting:
    handle = DriveHandle(locator=folder, generation=seen.generation)
    if seen.card is None:
        return Sighting(bay=bay, handle=handle, identity=DriveIdentity(), interface=INTERFACE)
    identity = seen.card.identity(seen.card.size_bytes)
    return Sighting(bay=bay, handle=handle, identity=identity, interface=seen.card.interface or INTERFACE)


def _open_volume(bay_folder: str, name: str, entry: CardVolume) -> RootedVolume:
    facts = VolumeFacts(name=name, file_system=entry.file_system, label=entry.label, uuid=entry.uuid)
    return root_of(facts, os.path.join(bay_folder, entry.path))
