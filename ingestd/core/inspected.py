"""What a look at a drive on a desk has found, as a value."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

from ingestd.core.drive import VolumeFacts
from ingestd.core.found import Finding, Ledger
from ingestd.core.model import JobId


class Verdict(StrEnum):
    """What a station would say after such a look."""

    ACCEPTED = "accepted"
    DOUBTFUL = "doubtful"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionReport:
    """What `ingestd inspect --json` prints: one look at a drive, by the rules of a job or of the site."""

    TYPE: ClassVar[str] = "ingestd.inspection"
    verdict: Verdict
    job_id: JobId | None
    """Null where no job was given."""
    read: bool
    """Whether every file that would be loaded was read to its end."""
    volumes: tuple[VolumeFacts, ...]
    ledger: Ledger
    """Nothing is stored: what would be loaded is pending, what cannot be read is failed."""
    findings: tuple[Finding, ...]
