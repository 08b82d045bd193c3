"""What the station tells the world, one frozen value per message.

Field names are the wire contract: the codec writes them as they are, and the published JSON Schemas
are generated from these classes. Sizes in bytes, rates in bytes per second; `*_at` become RFC 3339.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import ClassVar

from ingestd.core.model import (
    BayName,
    Disposition,
    DriveIdentity,
    FailureClass,
    Finding,
    HoldReason,
    JobId,
    Ledger,
    LoadId,
    Outcome,
    Phase,
    Receipt,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadStarted:
    """A drive was matched to its job and its survey begins."""

    TYPE: ClassVar[str] = "ingest.load.started"
    load_id: LoadId
    job_id: JobId
    tenant: str
    bay: BayName
    drive: DriveIdentity
    matched_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadProgressed:
    """How far a load is, every so often."""

    TYPE: ClassVar[str] = "ingest.load.progressed"
    load_id: LoadId
    job_id: JobId
    bay: BayName | None
    phase: Phase
    ledger: Ledger
    rate_bytes_per_second: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadHeld:
    """A load has stopped until a person decides, or what it waits for comes to pass."""

    TYPE: ClassVar[str] = "ingest.load.held"
    load_id: LoadId
    job_id: JobId | None
    bay: BayName | None
    drive: DriveIdentity
    reason: HoldReason
    cause: FailureClass
    text: str
    tried: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadResumed:
    """A held or absent load goes on."""

    TYPE: ClassVar[str] = "ingest.load.resumed"
    load_id: LoadId
    job_id: JobId | None
    bay: BayName | None
    after: Phase
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadAway:
    """The drive was unplugged before its load was done."""

    TYPE: ClassVar[str] = "ingest.load.away"
    load_id: LoadId
    job_id: JobId | None
    bay: BayName
    drive: DriveIdentity
    ledger: Ledger


@dataclass(frozen=True, slots=True, kw_only=True)
class JobLoaded:
    """All of a job's data is stored and proved."""

    TYPE: ClassVar[str] = "ingest.job.loaded"
    job_id: JobId
    tenant: str
    receipts: tuple[Receipt, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFailed:
    """A job cannot be accepted; this makes the order system void it. All findings are listed."""

    TYPE: ClassVar[str] = "ingest.job.failed"
    load_id: LoadId
    job_id: JobId
    tenant: str
    bay: BayName | None
    drive: DriveIdentity
    cause: FailureClass
    text: str
    findings: tuple[Finding, ...]
    observations: int
    refused_by: str | None = None
    """The person who decided, where the drive was in doubt."""
    data_kept: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class JobWithdrawalCompleted:
    """The answer to a withdrawal: what was stored is gone, or why nothing was taken back."""

    TYPE: ClassVar[str] = "ingest.job.withdrawal-completed"
    job_id: JobId
    taken_back: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveUnclaimed:
    """Nobody's drive: no job asked for it within the time the site grants."""

    TYPE: ClassVar[str] = "ingest.drive.unclaimed"
    load_id: LoadId
    bay: BayName | None
    drive: DriveIdentity
    tried: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveReleased:
    """The drive may be pulled from the bay."""

    TYPE: ClassVar[str] = "ingest.drive.released"
    load_id: LoadId
    job_id: JobId | None
    bay: BayName | None
    drive: DriveIdentity
    outcome: Outcome
    disposition: Disposition | None
    powered_down: bool
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeRefused:
    """A notice was set aside, and why."""

    TYPE: ClassVar[str] = "ingest.notice.refused"
    notice: str
    problems: tuple[str, ...]
    identity: str | None = None
    """Source and id of the notice, with a blank between them; null when they could not be read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BayReport:
    bay: BayName
    phase: Phase
    load_id: LoadId | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StationReported:
    """The station's heartbeat."""

    TYPE: ClassVar[str] = "ingest.station.reported"
    station: str
    bays: tuple[BayReport, ...]
    jobs_pending: int
    draining: bool


Outgoing = (
    LoadStarted
    | LoadProgressed
    | LoadHeld
    | LoadResumed
    | LoadAway
    | JobLoaded
    | JobFailed
    | JobWithdrawalCompleted
    | DriveUnclaimed
    | DriveReleased
    | NoticeRefused
    | StationReported
)

_IDS = uuid.uuid5(uuid.NAMESPACE_URL, "urn:ingestd:events")


@dataclass(frozen=True, slots=True, kw_only=True)
class Publish:
    """An outgoing message with what makes it recognisable: a repeat has the same id.

    `subject` is the load, the job or the station it is about, and the unit within which order is
    kept; `number` counts the messages of that subject.
    """

    subject: str
    number: int
    at: float
    body: Outgoing

    @property
    def event_id(self) -> str:
        """Name-based UUID (RFC 9562, version 5) of subject, number and type."""
        return str(uuid.uuid5(_IDS, f"{self.subject}\n{self.number}\n{self.body.TYPE}"))
