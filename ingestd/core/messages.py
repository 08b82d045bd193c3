"""Every event (what happened) and every command (what to do): two closed unions.

An event carries `at`, the wall-clock time in seconds since 1970 at which the shell took it in; the
core has no other clock. Every effect command ends in exactly one completion that carries its
attempt: its own kind when it was done, else `EffectFailed` or `EffectCancelled`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ingestd.core.custody import Entry, Surroundings
from ingestd.core.drive import DriveFacts, DriveHandle, HealthFacts, Sighting
from ingestd.core.found import FileFault, Ledger, Receipt, SurveyFacts
from ingestd.core.job import Destination, Job
from ingestd.core.job_record import JobRecord
from ingestd.core.limits import Limits
from ingestd.core.line import NO_CAP, Cap
from ingestd.core.model import Attempt, BayName, Decision, Failure, JobId, LoadId, ProofLevel
from ingestd.core.outgoing import Outgoing, Publish
from ingestd.core.phases import Load
from ingestd.core.uplink import Limit, UplinkOrder, UplinkSettings

# -- events: the station's surroundings -----------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class StationStarted:
    """The first event of a process: what the journal held is loaded, `sightings` is what is plugged in."""

    at: float
    sightings: tuple[Sighting, ...]
    surroundings: Surroundings = Surroundings()


@dataclass(frozen=True, slots=True, kw_only=True)
class StopRequested:
    at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsChanged:
    """The configuration was read again."""

    at: float
    limits: Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveAppeared:
    at: float
    sighting: Sighting


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveGone:
    at: float
    bay: BayName


@dataclass(frozen=True, slots=True, kw_only=True)
class TimerFired:
    at: float
    timer: Timer


# -- events: notices ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class JobAnnounced:
    at: float
    job: Job
    offset: int | None = None
    """Where in the stream of notices it stands; None for one that only this station got."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobAmended:
    """The whole job again, with a higher version."""

    at: float
    job: Job
    offset: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JobWithdrawn:
    at: float
    job_id: JobId
    reason: str
    offset: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveAssigned:
    """A person says which job the drive in a bay belongs to."""

    at: float
    bay: BayName
    job_id: JobId
    by: str
    load_id: LoadId | None = None
    """The load that is meant; a word that comes late must not hit the next drive in the bay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldLifted:
    """A person decides about a load that is held: the one in a bay, or the one of that id."""

    at: float
    decision: Decision
    by: str
    bay: BayName | None = None
    """None for whichever bay the load's drive is in, or for none: it may have been pulled."""
    load_id: LoadId | None = None
    """As for `DriveAssigned`; always given without a bay."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UplinkSet:
    """Somebody decides what the line may be used for; it replaces what was decided before."""

    at: float
    order: UplinkOrder


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeMalformed:
    """A message that could not be understood, and everything that is wrong with it."""

    at: float
    name: str
    """What the bus calls the message: a file name, an offset."""
    problems: tuple[str, ...]
    identity: str | None = None
    """What its sender calls it, if that much could be read."""
    offset: int | None = None


# -- events: what stations hear of each other ------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A record of the log that stations share, this station's own among them."""

    at: float
    station: str
    """Who said it."""
    said_at: float
    """When, by the clock of who said it."""
    event_id: str
    body: Outgoing


# -- events: completions --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Identified:
    at: float
    bay: BayName
    attempt: Attempt
    facts: DriveFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentifyFailed:
    at: float
    bay: BayName
    attempt: Attempt
    failure: Failure


@dataclass(frozen=True, slots=True, kw_only=True)
class Surveyed:
    at: float
    load_id: LoadId
    attempt: Attempt
    facts: SurveyFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Progressed:
    """How far a running transfer is; not a completion."""

    at: float
    load_id: LoadId
    attempt: Attempt
    ledger: Ledger
    rate_bytes_per_second: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Transferred:
    """One pass over all pending files is over. `faults` holds the first thousand, and those of files that
    were left out; `health` is what the drive said of itself at the end."""

    at: float
    load_id: LoadId
    attempt: Attempt
    ledger: Ledger
    faults: tuple[FileFault, ...]
    health: HealthFacts | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rechecked:
    """The second look at files that were at fault: the faults that it bears out."""

    at: float
    load_id: LoadId
    attempt: Attempt
    ledger: Ledger
    confirmed: tuple[FileFault, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proved:
    at: float
    load_id: LoadId
    attempt: Attempt
    receipt: Receipt


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofFailed:
    """The store does not hold what was stored; the files concerned are pending again."""

    at: float
    load_id: LoadId
    attempt: Attempt
    ledger: Ledger
    paths: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenBack:
    """What this load had stored is gone from the store again."""

    at: float
    load_id: LoadId
    attempt: Attempt
    files: int
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed:
    """Nothing of the drive is in use any more. `powered_down`: it may be pulled without a jolt."""

    at: float
    load_id: LoadId
    attempt: Attempt
    powered_down: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectFailed:
    at: float
    load_id: LoadId
    attempt: Attempt
    failure: Failure


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectCancelled:
    at: float
    load_id: LoadId
    attempt: Attempt


Notice = JobAnnounced | JobAmended | JobWithdrawn | DriveAssigned | HoldLifted | UplinkSet | NoticeMalformed

Completion = (
    Surveyed
    | Transferred
    | Rechecked
    | Proved
    | ProofFailed
    | TakenBack
    | Closed
    | EffectFailed
    | EffectCancelled
)

LoadReport = Completion | Progressed
"""What an effect of a load says, on the way or at its end."""

BayReport = Identified | IdentifyFailed

Event = (
    Heard
    | StationStarted
    | StopRequested
    | LimitsChanged
    | DriveAppeared
    | DriveGone
    | TimerFired
    | JobAnnounced
    | JobAmended
    | JobWithdrawn
    | DriveAssigned
    | HoldLifted
    | UplinkSet
    | NoticeMalformed
    | Identified
    | IdentifyFailed
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


# -- commands -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Identify:
    """Who is the drive in this bay? Ends in `Identified` or `IdentifyFailed`."""

    bay: BayName
    attempt: Attempt
    sighting: Sighting


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """Look at everything but the files' content. `folder`: as for Transfer; `fresh`: open the drive anew
    and drop caches; `sniff`: look into files for encryption."""

    load_id: LoadId
    attempt: Attempt
    handle: DriveHandle
    job: Job
    folder: str
    fresh: bool
    sniff: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Transfer:
    """Read every pending file once and store it. `folder`, empty or one path part, keeps the drives
    of one job apart; `sniff`: a file whose head is plainly not encrypted is at fault; `without`: files, as
    faults name them, that are left out if the driver does not read them still."""

    load_id: LoadId
    attempt: Attempt
    handle: DriveHandle
    job: Job
    folder: str
    sniff: bool
    without: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Recheck:
    """Read the files at fault again, on a freshly opened drive, past the caches."""

    load_id: LoadId
    attempt: Attempt
    handle: DriveHandle
    job: Job
    faults: tuple[FileFault, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Prove:
    """Find evidence that the store holds the manifest, and store the manifest beside the data."""

    load_id: LoadId
    attempt: Attempt
    job: Job
    folder: str
    facts: DriveFacts
    level: ProofLevel


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeBack:
    """Remove from the store what this load has put there, and nothing else. `folder` and
    `several_volumes`, as for its transfer, say where a file lies that was never recorded as stored."""

    load_id: LoadId
    attempt: Attempt
    destination: Destination
    folder: str = ""
    several_volumes: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Close:
    """Let go of the drive: close, unmount, detach; power down when `power_down`."""

    load_id: LoadId
    attempt: Attempt
    handle: DriveHandle | None
    power_down: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Cancel:
    """Stop the effect with this attempt; its completion still comes."""

    load_id: LoadId
    attempt: Attempt


@dataclass(frozen=True, slots=True, kw_only=True)
class Timer:
    """Names one wait. `owner` is a load, a bay, a message's id, or empty for the station."""

    purpose: Literal["retry", "unclaimed", "identify", "report", "word"]
    owner: str
    attempt: Attempt


@dataclass(frozen=True, slots=True, kw_only=True)
class StartTimer:
    timer: Timer
    after_s: float


LoadEffect = Survey | Transfer | Recheck | Prove | TakeBack | Close
Effect = Identify | LoadEffect
Command = Identify | Survey | Transfer | Recheck | Prove | TakeBack | Close | Cancel | StartTimer


# -- records: what a decision leaves behind, committed before any command is performed ------------


@dataclass(frozen=True, slots=True, kw_only=True)
class SaveJob:
    record: JobRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class SaveLoad:
    load: Load


@dataclass(frozen=True, slots=True, kw_only=True)
class SaveUnsaid:
    """A message that is said at `due_at`, unless another station is heard to say it before."""

    message: Publish
    due_at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Say:
    """The message that was saved under this id is published now."""

    event_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsay:
    """The message that was saved under this id has been said by another station."""

    event_id: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SaveSeen:
    """The last word of a station, by its own clock."""

    station: str
    at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SaveUplink:
    """What a message has set; it outlives a restart, but not a change of what is configured."""

    rate_bytes_per_second: int | None
    burst_bytes: int | None
    configured: tuple[int | None, int | None] | None = None
    """Rate and burst in the configuration when it was set."""
    configured_more: tuple[str, ...] = ()
    """And `UplinkSettings.in_words`."""
    sets_cap: bool = True
    """Whether rate and burst were set; else those are as configured."""
    stores: tuple[Limit, ...] = ()
    bays: tuple[Limit, ...] = ()
    until: float | None = None

    @classmethod
    def of(cls, order: UplinkOrder, settings: UplinkSettings) -> SaveUplink:
        cap = order.cap or NO_CAP
        return cls(
            rate_bytes_per_second=cap.rate_bytes_per_second,
            burst_bytes=cap.burst_bytes,
            configured=(settings.cap.rate_bytes_per_second, settings.cap.burst_bytes),
            configured_more=settings.in_words,
            sets_cap=order.cap is not None,
            stores=order.stores,
            bays=order.bays,
            until=order.until,
        )

    @property
    def order(self) -> UplinkOrder:
        cap = Cap(self.rate_bytes_per_second, self.burst_bytes) if self.sets_cap else None
        return UplinkOrder(cap=cap, stores=self.stores, bays=self.bays, until=self.until)

    def outlives(self, settings: UplinkSettings) -> bool:
        """Whether it stays in force under this configuration."""
        configured = (settings.cap.rate_bytes_per_second, settings.cap.burst_bytes)
        return (self.configured, self.configured_more) == (configured, settings.in_words)


@dataclass(frozen=True, slots=True, kw_only=True)
class SaveCustody:
    """One more entry of a load's record of custody."""

    entry: Entry


Record = SaveJob | SaveLoad | SaveCustody | SaveUplink | SaveUnsaid | Say | Unsay | SaveSeen | Publish
"""Committed in one transaction, in order."""
