"""What the station tells the world, one frozen value per message.

Field names are the wire contract: the codec writes them as they are, and the published JSON Schemas
are generated from these classes. Sizes in bytes, rates in bytes per second; `*_at` become RFC 3339.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from typing import ClassVar

from ingestd.core.drive import CustodyHead, DriveIdentity
from ingestd.core.found import Finding, Ledger, Receipt
from ingestd.core.model import (
    Attempt,
    BayName,
    Disposition,
    FailureClass,
    HoldReason,
    JobId,
    LoadId,
    Outcome,
    Phase,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadClaimed:
    """A station has found the job of a drive and asks to load it. Of several claims to one drive of a job
    the first in the log holds, until it ends; only its station begins. Said where stations share jobs."""

    TYPE: ClassVar[str] = "ingest.load.claimed"
    load_id: LoadId
    job_id: JobId
    job_version: int
    drive_index: int
    """Which of the job's announced drives it is, counted from 0."""
    attempt: Attempt
    """Tells this claim from earlier ones of the same load."""
    bay: BayName
    drive: DriveIdentity
    continues: LoadId | None
    """The load, of this or another station, that had the drive before and did not come to its end."""
    unheard_since_at: float | None = None
    """The last word, by its own clock, of a station that has this drive of the job and is taken to be silent:
    this claim ends that one if nothing has come from there since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSurveyed:
    """What of a job's announced items lies on one of its drives. Said where stations share jobs that have
    several drives, so that what lies on none of them is noticed."""

    TYPE: ClassVar[str] = "ingest.load.surveyed"
    load_id: LoadId
    job_id: JobId
    drive_index: int
    attempt: Attempt
    items: tuple[str, ...]


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
    """A load has stopped until a person decides, or what it waits for comes to pass. One that is over and
    cannot let go, because what it stored cannot be taken back, tells so in the same way."""

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
    custody: CustodyHead | None = None
    """How far the load's record of custody goes, this included."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadFinished:
    """What became of one drive of a job. The record that completes the set of a job's drives, in the order
    of the log, makes the job loaded; the first that failed makes it fail."""

    TYPE: ClassVar[str] = "ingest.load.finished"
    load_id: LoadId
    job_id: JobId
    job_version: int
    tenant: str
    drive_index: int
    drives: int
    """How many drives the job has."""
    bay: BayName | None
    drive: DriveIdentity
    outcome: Outcome
    text: str
    receipt: Receipt | None
    """Where the outcome is `loaded`."""
    items: tuple[str, ...]
    findings: tuple[Finding, ...]
    observations: int
    """How many looks agree, or 1 where a person decided; 0 where nothing was found at fault."""
    refused_by: str | None
    data_kept: bool
    """Whether what was stored stays in the store although the load came to nothing."""


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
class JobWithdrawalNoted:
    """A withdrawal takes its place in the log that stations share: what was finished before it counts,
    what is claimed after it does not."""

    TYPE: ClassVar[str] = "ingest.job.withdrawal-noted"
    job_id: JobId
    reason: str
    number: int
    """Where the withdrawal stands in the stream of notices; its answer carries the same number."""


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
    custody: CustodyHead | None = None
    """The whole of the load's record of custody, this included."""


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
    LoadClaimed
    | LoadSurveyed
    | LoadStarted
    | LoadProgressed
    | LoadHeld
    | LoadResumed
    | LoadAway
    | LoadFinished
    | JobLoaded
    | JobFailed
    | JobWithdrawalNoted
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
