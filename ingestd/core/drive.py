"""Drives as frozen values: which one, its link, its health, what is on it. Units are in the names."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ingestd.core.model import BayName, JobId


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveIdentity:
    """What is known of one physical drive. Empty strings are never used for an unknown fact."""

    serial: str | None = None
    wwn: str | None = None
    model: str | None = None
    size_bytes: int | None = None

    def agrees_with(self, other: DriveIdentity) -> bool:
        """Whether both describe the same unit.

        No known fact may contradict, and serial and WWN must agree, or else serial, model and size.
        """
        if self.contradicts(other):
            return False
        same_serial, same_wwn, same_model, same_size = (
            a is not None and a == b for a, b in self._pairs(other)
        )
        return same_serial and (same_wwn or (same_model and same_size))

    def contradicts(self, other: DriveIdentity) -> bool:
        """Whether some fact that both know is not the same."""
        return any(a is not None and b is not None and a != b for a, b in self._pairs(other))

    def _pairs(self, other: DriveIdentity) -> tuple[tuple[object, object], ...]:
        return (
            (self.serial, other.serial),
            (self.wwn, other.wwn),
            (self.model, other.model),
            (self.size_bytes, other.size_bytes),
        )

    @property
    def label(self) -> str:
        """What a person on the floor would call it."""
        return self.serial or self.wwn or "no serial"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveHandle:
    """Where a drive can be opened now, and a number that changes when another one takes its place."""

    locator: str
    generation: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """How fast the line between station and drive runs, and how fast it could, in megabits per second.

    Signalling rates, as the kernel gives them; what arrives of files is less.
    """

    mbit_per_second: int
    capable_mbit_per_second: int | None = None
    """What the drive, or the bay, is known to be capable of; None where that cannot be told."""

    @property
    def degraded(self) -> bool:
        return (
            self.capable_mbit_per_second is not None and self.mbit_per_second < self.capable_mbit_per_second
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """A drive that a watch sees in a bay, before anything on it has been read."""

    bay: BayName
    handle: DriveHandle
    identity: DriveIdentity
    interface: str
    link: Link | None = None
    rotational: bool | None = None


class Health(StrEnum):
    """What a drive says of its own condition."""

    OK = "ok"
    SUSPECT = "suspect"
    """It shows signs that precede failures; it is read first, and gently."""
    UNKNOWN = "unknown"
    """It gave no answer. That is no sign of anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthCounter:
    """One of the numbers by which a drive counts what went wrong in its life."""

    name: str
    """Such as `reallocated sectors`."""
    attribute: str
    """What the drive's own table calls it: `5`, `media errors`."""
    value: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthFacts:
    """One reading of a drive's own account of its condition."""

    verdict: Health = Health.UNKNOWN
    reasons: tuple[str, ...] = ()
    """In words: what makes it suspect, or why it is unknown."""
    notes: tuple[str, ...] = ()
    """In words: what is out of the ordinary and says nothing about the medium, such as heat."""
    counters: tuple[HealthCounter, ...] = ()
    temperature_celsius: int | None = None


class VolumeFlaw(StrEnum):
    """What kind of problem keeps a volume from being read."""

    UNREADABLE = "unreadable"
    """Damaged, or nothing that is known."""
    IN_DOUBT = "in-doubt"
    """It cannot be mounted, and nothing says whether it or the station is at fault."""
    UNCLEAN = "unclean"
    """Not cleanly unmounted, which its owner can mend without loss."""
    LOCKED = "locked"
    """An encrypted container around all of it."""
    MEMBER = "member"
    """A part of something that takes other drives, or other programs, to put together."""
    NOT_ACCEPTED = "not-accepted"
    """A file system that this site does not take."""
    SPARE = "spare"
    """Meant for no files: swap space, a reserved partition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VolumeFacts:
    """One volume as probed. `problem` says, in the driver's words, why it cannot be read."""

    name: str
    file_system: str | None = None
    label: str | None = None
    uuid: str | None = None
    size_bytes: int | None = None
    problem: str | None = None
    flaw: VolumeFlaw | None = None
    """Of what kind the problem is; None counts as unreadable."""
    replayed: bool = False
    """It was not cleanly unmounted, and its log was replayed onto an overlay; the drive is as it was."""
    marked_unclean: bool = False
    """It bears the mark of a volume that was not cleanly unmounted, and has no log to replay."""
    driver: str | None = None
    """What reads it: a driver of the kernel, or a program; None while nothing does, and for a folder."""

    @property
    def unclean(self) -> bool:
        return self.flaw is VolumeFlaw.UNCLEAN


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """A job ticket found in a volume's root: a hint about whose drive this is or, with a signature that
    was verified, the word of whoever holds that key."""

    volume: str
    job_id: JobId
    key_id: str | None = None
    """Of the key that it is signed with; None for a hint, which has none of what follows either."""
    tenant: str | None = None
    serial: str | None = None
    """Of the one drive that it was written for."""
    volume_uuid: str | None = None
    """Of the one volume that it was written for."""
    valid_from: float | None = None
    valid_until: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoiltTicket:
    """A job ticket that says it is signed and proves nothing; never taken for a hint."""

    volume: str
    why: str
    """Follows the words `the job ticket on VOLUME`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveFacts:
    """What identifying a drive brought to light."""

    identity: DriveIdentity
    interface: str
    volumes: tuple[VolumeFacts, ...] = ()
    tickets: tuple[Ticket, ...] = ()
    spoilt_tickets: tuple[SpoiltTicket, ...] = ()
    link: Link | None = None
    rotational: bool | None = None
    health: HealthFacts = HealthFacts()
    write_blocks: tuple[str, ...] = ()
    """What stood between the drive and a write while it was open, from the drive outwards."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyHead:
    """How far the record of custody of a load goes, and the hash of its last entry, which stands for all."""

    entries: int
    sha256: str
