"""A load and the data that each of its phases has.

One phase at a time, with just the data that phase needs: what cannot be said here cannot be wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ingestd.core.drive import CustodyHead, DriveFacts, DriveHandle, DriveIdentity
from ingestd.core.found import FileFault, Finding, Ledger, Receipt
from ingestd.core.model import (
    Attempt,
    BayName,
    Failure,
    FailureClass,
    FailureKind,
    HoldReason,
    JobId,
    LoadId,
    Outcome,
    Phase,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """The wait between a failed try and the next one."""

    failure: Failure
    until: float


Tally = tuple[tuple[FailureKind, int], ...]
"""How often each kind of failure has come since the work began or last moved on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """The drive is here; its job is not known yet, or the station is at its limit of loads."""

    phase: Literal[Phase.WAITING] = Phase.WAITING
    since: float
    reason: str
    attempt: Attempt = Attempt(0)
    claiming: str | None = None
    """How the job was found, while the claim to its drive has yet to be heard in the log; empty for a load
    that had begun before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveying:
    """A look at everything but the files' content; a second one when the first found fault."""

    phase: Literal[Phase.SURVEYING] = Phase.SURVEYING
    attempt: Attempt
    tries: int = 0
    failures: Tally = ()
    pause: Pause | None = None
    suspects: tuple[Finding, ...] | None = None
    """Blocking findings of the first observation, while the second is on its way."""
    reported: bool = False
    """All is well with the drive; what lies on it has yet to be heard in the log, in its turn."""
    since: float | None = None
    """When it was reported."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """Files are read and stored; `suspects` are those being read a second time."""

    phase: Literal[Phase.LOADING] = Phase.LOADING
    attempt: Attempt
    tries: int = 0
    failures: Tally = ()
    pause: Pause | None = None
    passes: int = 1
    suspects: tuple[FileFault, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proving:
    """Evidence is gathered that the store holds the manifest. The drive is not needed for it."""

    phase: Literal[Phase.PROVING] = Phase.PROVING
    attempt: Attempt
    tries: int = 0
    failures: Tally = ()
    pause: Pause | None = None
    passes: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Releasing:
    """The outcome is decided and told; what is left is to take data back and to let go of the drive. Where
    stations share jobs, a failure waits for its verdict: the log says whether it counts."""

    phase: Literal[Phase.RELEASING] = Phase.RELEASING
    attempt: Attempt
    tries: int = 0
    failures: Tally = ()
    pause: Pause | None = None
    outcome: Outcome
    step: Literal["verdict", "take-back", "close"]
    text: str
    observations: int = 0
    """How many looks agree on what failed the job, or 1 where `refused_by` decided."""
    refused_by: str | None = None
    since: float | None = None
    """When the verdict was asked for, or asked for again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Released:
    """The end. The drive may be pulled."""

    phase: Literal[Phase.RELEASED] = Phase.RELEASED
    outcome: Outcome
    since: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Stopped until a person decides or what it waits for comes to pass."""

    phase: Literal[Phase.HELD] = Phase.HELD
    reason: HoldReason
    cause: FailureClass
    text: str
    since: float
    tried: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Away:
    """Unplugged on the way; goes on when the drive is back.

    `told` is False right after a restart, while the bays are being looked at: a drive that never left
    is not announced as away.
    """

    phase: Literal[Phase.AWAY] = Phase.AWAY
    since: float
    told: bool = True


State = Waiting | Surveying | Loading | Proving | Releasing | Released | Held | Away
Working = Surveying | Loading | Proving | Releasing


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One drive's passage through the station, from plugged in to release."""

    load_id: LoadId
    facts: DriveFacts
    bay: BayName | None
    """Where the drive is plugged in; None while it is not."""
    last_bay: BayName | None = None
    """Where it was plugged in when it was last pulled."""
    handle: DriveHandle | None
    state: State
    job_id: JobId | None = None
    drive_index: int | None = None
    claimed: bool = False
    """Its claim was heard in the log and has not ended. Only where stations share jobs."""
    continues: LoadId | None = None
    """The load that had this drive before and did not come to its end: what it left in the store is now
    this load's."""
    started_at: float
    attempt: Attempt = Attempt(0)
    """The last one given out."""
    messages: int = 0
    """How many messages about this load have been written."""
    ledger: Ledger = Ledger()
    rate_bytes_per_second: float = 0.0
    progress_told_at: float = 0.0
    findings: tuple[Finding, ...] = ()
    """What was noted on the way, for the receipt."""
    waived: tuple[tuple[str, str], ...] = ()
    """Keys of doubtful findings that a person accepted."""
    receipt: Receipt | None = None
    items: tuple[str, ...] = ()
    """Announced items that the last survey found here, and first pieces of files that go on elsewhere."""
    custody: CustodyHead | None = None
    """How far its record of custody goes; None for one that was begun before there were such records."""

    @property
    def drive(self) -> DriveIdentity:
        return self.facts.identity

    @property
    def phase(self) -> Phase:
        return self.state.phase
