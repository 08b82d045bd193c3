"""The one table of failure kinds: whose fault it is, whether to try again, hold, or call it a finding.

This is the slow tier, seconds to hours between tries; short retries inside one call are the
adapters' business. Anything that nobody foresaw is the station's fault and never fails a job.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

from ingestd.core.model import Failure, FailureClass, FailureKind, HoldReason
from ingestd.core.phases import Tally


class Then(Enum):
    """What follows when the tries are used up."""

    GO_ON = "go on trying, less and less often"
    HOLD = "hold until a person decides"
    FIND = "count as an observed defect of the drive"


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    cause: FailureClass
    tries: int
    then: Then
    first_delay_s: float = 2.0
    longest_delay_s: float = 300.0
    hold: HoldReason = HoldReason.RETRIES_EXHAUSTED


_DRIVE, _STATION, _DEPENDENCY = FailureClass.DRIVE, FailureClass.STATION, FailureClass.DEPENDENCY

TABLE: Mapping[FailureKind, Rule] = {
    FailureKind.DRIVE_UNREADABLE: Rule(cause=_DRIVE, tries=2, then=Then.FIND, first_delay_s=5.0),
    FailureKind.READ_STALLED: Rule(cause=_DRIVE, tries=2, then=Then.FIND, first_delay_s=5.0),
    FailureKind.DRIVE_GONE: Rule(cause=_STATION, tries=5, then=Then.HOLD),
    FailureKind.DRIVE_SWAPPED: Rule(cause=_STATION, tries=5, then=Then.HOLD),
    FailureKind.STORE_UNREACHABLE: Rule(cause=_DEPENDENCY, tries=1, then=Then.GO_ON),
    FailureKind.STORE_BUSY: Rule(cause=_DEPENDENCY, tries=1, then=Then.GO_ON, first_delay_s=5.0),
    FailureKind.STORE_DIGEST: Rule(cause=_DEPENDENCY, tries=3, then=Then.HOLD),
    FailureKind.STORE_FULL: Rule(cause=_DEPENDENCY, tries=1, then=Then.HOLD, hold=HoldReason.STORE_FULL),
    FailureKind.STORE_REFUSED: Rule(
        cause=_DEPENDENCY, tries=1, then=Then.HOLD, hold=HoldReason.STORE_REFUSED
    ),
    FailureKind.STORE_MISSING: Rule(
        cause=_DEPENDENCY, tries=1, then=Then.HOLD, hold=HoldReason.STORE_MISSING
    ),
    FailureKind.STORE_CONFLICT: Rule(
        cause=_DEPENDENCY, tries=1, then=Then.HOLD, hold=HoldReason.STORE_CONFLICT
    ),
    FailureKind.TOOL_FAILED: Rule(cause=_STATION, tries=3, then=Then.HOLD, hold=HoldReason.STATION_FAULT),
    FailureKind.RESOURCES: Rule(cause=_STATION, tries=8, then=Then.HOLD, hold=HoldReason.STATION_FAULT),
    FailureKind.STATION_FULL: Rule(cause=_STATION, tries=1, then=Then.HOLD, hold=HoldReason.STATION_FAULT),
    FailureKind.UNKNOWN: Rule(cause=_STATION, tries=3, then=Then.HOLD, hold=HoldReason.STATION_FAULT),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TryAgain:
    after_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldNow:
    reason: HoldReason
    cause: FailureClass


@dataclass(frozen=True, slots=True, kw_only=True)
class Observed:
    """The defect has been seen often enough to be the drive's."""

    observations: int


Verdict = TryAgain | HoldNow | Observed


def counted(tally: Tally, kind: FailureKind) -> Tally:
    """The tally with one more failure of this kind. What else went wrong in between is no observation
    of it, so that each kind is counted by itself."""
    times = dict(tally)
    times[kind] = times.get(kind, 0) + 1
    return tuple(times.items())


def after(failure: Failure, failed_tries: int, key: str) -> Verdict:
    """What follows the `failed_tries`-th failure of its kind; `key` spreads the delays of several loads."""
    rule = TABLE[failure.kind]
    if failed_tries < rule.tries or rule.then is Then.GO_ON:
        return TryAgain(after_s=delay_s(rule, failed_tries, key))
    if rule.then is Then.FIND:
        return Observed(observations=failed_tries)
    return HoldNow(reason=rule.hold, cause=rule.cause)


def last_resort(failure: Failure, failed_tries: int, key: str) -> TryAgain:
    """For work that has to be done some time whatever happens: tidying up after a decision."""
    return TryAgain(after_s=delay_s(TABLE[failure.kind], failed_tries, key))


def delay_s(rule: Rule, failed_tries: int, key: str) -> float:
    """Exponential, between half and the whole of its step; the spread is a hash, not a random number."""
    step = min(rule.longest_delay_s, rule.first_delay_s * 2.0 ** min(failed_tries - 1, 16))
    spread = zlib.crc32(f"{key} {failed_tries}".encode()) / 2**32
    return step * (0.5 + 0.5 * spread)
