"""What the station tells a load, beside the reports of its effects."""

from __future__ import annotations

from dataclasses import dataclass

from ingestd.core.drive import CustodyHead, DriveFacts, DriveHandle
from ingestd.core.job import Job
from ingestd.core.limits import Limits
from ingestd.core.messages import (
    Closed,
    EffectCancelled,
    EffectFailed,
    Progressed,
    ProofFailed,
    Proved,
    Rechecked,
    Surveyed,
    TakenBack,
    Transferred,
)
from ingestd.core.model import Attempt, BayName, Decision, HoldReason, JobId, LoadId


@dataclass(frozen=True, slots=True, kw_only=True)
class Matched:
    job_id: JobId
    drive_index: int
    by: str
    continues: LoadId | None = None
    """Whose place it takes, where a load before it did not come to its end."""
    continues_custody: CustodyHead | None = None
    """How far the record of custody of that one is known to go."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Won:
    """The claim of this load stands in the log, and nobody else's before it."""

    attempt: Attempt


@dataclass(frozen=True, slots=True, kw_only=True)
class Outbid:
    """Somebody else has what this load has claimed. `text` says who."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Freed:
    """Nobody else has any more what this load had claimed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unheard:
    """What this load has said, and waits to hear in the log, has got lost on the way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The failure of this load stands in the log. `keep`: what was stored stays in the store, because the
    job demands it, or because another load has loaded the same drive of the job before."""

    keep: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportHeard:
    """What this load's survey reported stands in the log. `complete`: all that was announced has been
    found on one of the job's drives, or may be on one that has yet to be surveyed."""

    attempt: Attempt
    complete: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubled:
    """Another drive that is plugged in says that it is this one. `text` says where, and what to do."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmatched:
    reason: HoldReason
    text: str
    tried: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Admitted:
    """There is room: the survey may begin."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unplugged:
    """The drive is no longer in its bay, as far as this load is concerned. `text` is for a load that
    ends by it, since it has no job yet."""

    text: str = "pulled before a job was found for it"


@dataclass(frozen=True, slots=True, kw_only=True)
class Returned:
    """The drive of this load has been identified in a bay."""

    bay: BayName
    handle: DriveHandle
    facts: DriveFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawn:
    """The job is not wanted any more. `keep`: what was stored stays in the store."""

    reason: str
    keep: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Lifted:
    decision: Decision
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Amended:
    """The job has a new version. `again`: what is required has changed, not just how urgent it is."""

    again: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeUp:
    """The pause before the next try is over."""

    attempt: Attempt


@dataclass(frozen=True, slots=True, kw_only=True)
class Expired:
    """Nobody has asked for this drive for as long as the site waits."""

    attempt: Attempt


@dataclass(frozen=True, slots=True, kw_only=True)
class Restarted:
    """The process is new; no effect of this load is running."""


LoadEvent = (
    Matched
    | Won
    | Outbid
    | Freed
    | Judged
    | Unheard
    | ReportHeard
    | Unmatched
    | Doubled
    | Admitted
    | Unplugged
    | Returned
    | Withdrawn
    | Lifted
    | Amended
    | TimeUp
    | Expired
    | Restarted
    | Surveyed
    | Progressed
    | Transferred
    | Rechecked
    | Proved
    | ProofFailed
    | TakenBack
    | Closed
    | EffectFailed
    | EffectCancelled
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What a load needs to know beside itself."""

    at: float
    limits: Limits
    job: Job | None
    elsewhere: frozenset[str] | None = frozenset()
    """Items found on the job's other drives; None while some of them are yet to be surveyed."""
