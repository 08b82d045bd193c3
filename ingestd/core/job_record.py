"""How far a job is: which loads have its drives, and what became of them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ingestd.core.drive import CustodyHead
from ingestd.core.found import Finding, Receipt
from ingestd.core.job import Job
from ingestd.core.model import BayName, JobId, LoadId, Outcome


class JobStatus(StrEnum):
    PENDING = "pending"
    LOADED = "loaded"
    FAILED = "failed"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveClaim:
    """Which load has, or had, one of the drives of a job."""

    drive_index: int
    load_id: LoadId
    station: str | None = None
    """Whose load it is; None where the station shares its jobs with nobody."""
    lapsed: bool = False
    """The drive was pulled before its end: whoever claims it next has it."""
    bay: BayName | None = None
    surveyed: bool = False
    outcome: Outcome | None = None
    receipt: Receipt | None = None
    findings: tuple[Finding, ...] = ()
    items: tuple[str, ...] = ()
    """Announced items that were found on this drive, and first pieces of files that go on elsewhere."""
    over: bool = False
    """The load has let go: nothing of it will change in the store any more."""
    custody: CustodyHead | None = None
    """How far the load's record of custody went when its drive was last pulled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsettled:
    """A load, of whichever station, that has begun and has not let go: of it something may lie in the
    store, or come to lie there, and may have to be taken back."""

    load_id: LoadId
    station: str | None
    version: int
    """Of the job, as it was when the load was claimed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRecord:
    """A job and how far it is. `job` is None for one that was withdrawn before it was announced."""

    job_id: JobId
    job: Job | None
    status: JobStatus = JobStatus.PENDING
    claims: tuple[DriveClaim, ...] = ()
    kept: tuple[LoadId, ...] = ()
    """Loads that came to nothing and whose data was left in the store, as the job demanded."""
    failed_version: int = 0
    """The version of the job that failed last; 0 when none has."""
    asked: int | None = None
    """The number under which its withdrawal has yet to be answered."""
    noted: tuple[int, ...] = ()
    """The numbers of all its withdrawals that have taken their place in the log."""
    unsettled: tuple[Unsettled, ...] = ()
    abandoned: tuple[LoadId, ...] = ()
    """Loads whose station has lost its journal: what they stored is known to nobody."""

    def is_open_for(self, version: int) -> bool:
        """Whether this version of the job may still be loaded: a later one than that which failed may."""
        if self.status is JobStatus.FAILED:
            return version > self.failed_version
        return self.status is JobStatus.PENDING

    def in_the_way(self) -> Unsettled | None:
        """A load of a version that failed and has not let go: what is found in the store may be its, and
        about to go."""
        return next((left for left in self.unsettled if left.version <= self.failed_version), None)

    def claim_of(self, drive_index: int) -> DriveClaim | None:
        return next((c for c in self.claims if c.drive_index == drive_index), None)
