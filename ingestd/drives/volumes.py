"""The volumes of a drive, and holding an open drive until it is let go of."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from ingestd.core.drive import DriveFacts, SpoiltTicket, Ticket, VolumeFacts, VolumeFlaw
from ingestd.drives import block
from ingestd.drives.jws import PublicKeys
from ingestd.drives.ticket import read_ticket


@dataclass(slots=True)
class RootedVolume:
    """A volume of an open drive, with a descriptor of its root folder unless it has a problem."""

    facts: VolumeFacts
    fd: int | None = None

    @property
    def root_fd(self) -> int:
        if self.fd is None:
            raise ValueError(f"{self.facts.name} cannot be read: {self.facts.problem or 'it was closed'}")
        return self.fd

    def close(self) -> None:
        fd, self.fd = self.fd, None
        if fd is not None:
            os.close(fd)


class HeldDrive:
    """An open drive of any source: what was found, and the way back, last step first."""

    def __init__(
        self,
        facts: DriveFacts,
        volumes: Sequence[RootedVolume],
        way_back: contextlib.ExitStack,
        still_there: Callable[[], bool],
        drop_caches: Callable[[], None] = lambda: None,
    ) -> None:
        """`drop_caches` is called while the drive is open only, and holds up nothing else."""
        self.facts = facts
        self.volumes = tuple(volumes)
        self._way_back = way_back
        self._still_there = still_there
        self._drop_caches = drop_caches
        self._lock = threading.Lock()
        self._open = True

    def still_there(self) -> bool:
        return self._open and self._still_there()

    def drop_caches(self) -> None:
        # Without the lock: a dying drive may never answer.
        if self._open:
            self._drop_caches()

    def close(self) -> None:
        with self._lock:
            self._open = False
            way_back = self._way_back.pop_all()
        way_back.close()


def root_of(facts: VolumeFacts, folder: str) -> RootedVolume:
    """The volume with its root folder open, or with a problem: no such folder, a link, a failing drive.

    Raises ToolFailed or ResourcesExhausted when it is the station that cannot open it.
    """
    try:
        return RootedVolume(
            facts, os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
        )
    except NotADirectoryError:
        problem = f"{folder} is not a folder; links are not followed"
    except OSError as error:
        problem = block.at_fault(error, folder)
    return RootedVolume(replace(facts, problem=problem, flaw=VolumeFlaw.UNREADABLE))


def with_tickets(facts: DriveFacts, volumes: Sequence[RootedVolume], keys: PublicKeys) -> DriveFacts:
    """The facts with the job tickets that are found in the volumes' roots."""
    readable = [volume for volume in volumes if volume.fd is not None]
    found = [read_ticket(volume.root_fd, volume.facts.name, keys) for volume in readable]
    return replace(
        facts,
        tickets=tuple(ticket for ticket in found if isinstance(ticket, Ticket)),
        spoilt_tickets=tuple(ticket for ticket in found if isinstance(ticket, SpoiltTicket)),
    )
