"""The words that everything else is said with, and the ids. Times are seconds since 1970, UTC."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NewType

JobId = NewType("JobId", str)
LoadId = NewType("LoadId", str)
BayName = NewType("BayName", str)
Attempt = NewType("Attempt", int)
"""Numbers the commands of one load (or one bay): a completion that carries an older one is stale."""


class FailureClass(StrEnum):
    """Whose fault it is. Only the first three can ever fail a job."""

    DRIVE = "drive"
    DATA = "data"
    REQUIREMENT = "requirement"
    STATION = "station"
    DEPENDENCY = "dependency"

    @property
    def may_fail_a_job(self) -> bool:
        return self in (FailureClass.DRIVE, FailureClass.DATA, FailureClass.REQUIREMENT)


class Severity(StrEnum):
    BLOCKING = "blocking"
    DOUBTFUL = "doubtful"
    """Neither provably right nor provably wrong: a person decides."""
    NOTED = "noted"


class Policy(StrEnum):
    """What a site or a job makes of a requirement that is not met."""

    BLOCKING = "blocking"
    DOUBTFUL = "doubtful"
    NOTED = "noted"
    OFF = "off"


class UnsignedTickets(StrEnum):
    """What a site makes of a job ticket that nobody has signed, which anybody may have written."""

    HINT = "hint"
    """It decides where nothing better does and nothing that was announced says otherwise."""
    HOLD = "hold"
    """Where it would decide, a person does."""
    IGNORE = "ignore"


class ProofLevel(StrEnum):
    LISTED = "listed"
    SAMPLED = "sampled"
    FULL = "full"


class Disposition(StrEnum):
    RETURN = "return"
    DISPOSE = "dispose"


class Outcome(StrEnum):
    LOADED = "loaded"
    FAILED = "failed"
    WITHDRAWN = "withdrawn"
    UNCLAIMED = "unclaimed"


class Phase(StrEnum):
    WAITING = "waiting"
    SURVEYING = "surveying"
    LOADING = "loading"
    PROVING = "proving"
    RELEASING = "releasing"
    RELEASED = "released"
    HELD = "held"
    AWAY = "away"


class FailureKind(StrEnum):
    """Every way in which an effect can fail. `retry.py` has the one table that says what follows."""

    DRIVE_UNREADABLE = "drive-unreadable"
    DRIVE_GONE = "drive-gone"
    DRIVE_SWAPPED = "drive-swapped"
    READ_STALLED = "read-stalled"
    STORE_UNREACHABLE = "store-unreachable"
    STORE_BUSY = "store-busy"
    STORE_DIGEST = "store-digest"
    STORE_REFUSED = "store-refused"
    STORE_MISSING = "store-missing"
    STORE_FULL = "store-full"
    STORE_CONFLICT = "store-conflict"
    TOOL_FAILED = "tool-failed"
    RESOURCES = "resources"
    STATION_FULL = "station-full"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Failure:
    kind: FailureKind
    text: str


class HoldReason(StrEnum):
    """Why a load waits for a person (or for what resolves it by itself)."""

    NO_MATCHING_JOB = "no-matching-job"
    SEVERAL_JOBS = "several-jobs"
    ALREADY_DONE = "already-done"
    TICKET_IN_DOUBT = "ticket-in-doubt"
    NOT_IDENTIFIED = "not-identified"
    DUPLICATE_IDENTITY = "duplicate-identity"
    OBSERVATIONS_DISAGREE = "observations-disagree"
    DOUBTFUL = "doubtful"
    RETRIES_EXHAUSTED = "retries-exhausted"
    STORE_REFUSED = "store-refused"
    STORE_MISSING = "store-missing"
    STORE_FULL = "store-full"
    STORE_CONFLICT = "store-conflict"
    STATION_FAULT = "station-fault"
    CLAIMED_ELSEWHERE = "claimed-elsewhere"


class Decision(StrEnum):
    """What a person says about a hold."""

    AGAIN = "again"
    ACCEPT = "accept"
    REFUSE = "refuse"
