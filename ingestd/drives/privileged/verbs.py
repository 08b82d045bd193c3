"""The verbs that need privilege, and what they are asked about.

A drive is named by its device number and the kernel's disk sequence number, never by a path: whoever
performs a verb looks for itself whether that very disk stands in one of the station's bays.

Two things perform them: `keeper.Keeper` in this process, `client.HelperClient` through the socket of
a helper that runs as root, so that the daemon needs no privilege at all.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from ingestd.core.drive import VolumeFacts
from ingestd.core.model import BayName
from ingestd.ports import CancelToken, Problem

BayOf = Callable[[str], BayName | None]
"""The bay in which the disk at a node such as `/dev/sdc` stands; None for one that is not in a bay."""

_NAME = re.compile(r"(0|[1-9]\d{0,6}):(0|[1-9]\d{0,6})/([1-9]\d{0,18})", re.ASCII)


@dataclass(frozen=True, slots=True)
class DeviceName:
    """A whole disk: its number, and the sequence number that no other disk gets until the next boot."""

    major: int
    minor: int
    sequence: int

    def __str__(self) -> str:
        return f"{self.major}:{self.minor}/{self.sequence}"

    @classmethod
    def parse(cls, text: str) -> DeviceName:
        """The name in the form `8:16/423`. Raises ValueError for anything else."""
        if (match := _NAME.fullmatch(text)) is None:
            raise ValueError("a device is named as major:minor/sequence, such as 8:16/423")
        return cls(*map(int, match.groups()))


@dataclass(slots=True)
class Mounted:
    """What became of mounting a volume: a descriptor of its root folder, or a problem in the facts.

    The descriptor is the receiver's to close.
    """

    facts: VolumeFacts
    root_fd: int | None = None


class Grip(Protocol):
    """One drive that is sealed and held. Whatever was made for it goes with `release`.

    Every verb raises DriveGoneError, DriveSwapped, DriveUnreadable, ToolFailed, ResourcesExhausted, and
    ReadStalled when it has not come back within its limit.
    """

    def probe(self) -> Sequence[VolumeFacts]:
        """The volumes on the drive, in their order on it; those that are not to be mounted have a problem."""

    def mount(self, volume: str, cancel: CancelToken) -> Mounted:
        """Mount a volume that `probe` named, read-only; one not cleanly unmounted through an overlay."""

    def open_below(self, folder_fd: int, name: bytes, *, look: bool = False) -> int:
        """A file or folder in a folder of this drive, opened for reading whatever its permissions say.

        `name` is a single name, or `.` for the folder anew: no link is followed, no mount is crossed.
        With `look` the descriptor serves for its facts only. Raises OSError as `os.open` does.
        """

    def drop_caches(self) -> None:
        """Make the next reads of the devices come from the medium."""

    def release(self) -> None:
        """Unmount and let go of everything; the drive stays sealed. Safe to call twice."""


class Privileged(Protocol):
    """The verbs that do not need the drive to be held. They raise the same errors."""

    def seal(self, device: DeviceName) -> Grip:
        """Make the disk and its partitions refuse writes, and hold it.

        Raises DriveGoneError for a disk that stands in no bay, DriveSwapped when the number is another
        disk's by now, ToolFailed when something else has mounted it.
        """

    def health(self, device: DeviceName, device_type: str | None = None) -> str:
        """What smartctl says of the disk, as JSON; `device_type` as its option --device takes it."""

    def power_off(self, device: DeviceName) -> bool:
        """Make the drive safe to pull, where that is possible; whether it was."""

    def revive(self, device: DeviceName) -> bool:
        """Have the kernel work again with a disk that it has taken offline; whether it does. False where it
        has not, or has no such door for the disk."""

    def lift_seals(self) -> None:
        """Make loop nodes writable again whose image was detached: they go to others after us."""

    def clean_up(self) -> Sequence[str]:
        """Undo what a dead process left behind; say what it was. Only while no drive is held."""

    def problems(self) -> Sequence[Problem]:
        """What in the surroundings stands in the way."""
