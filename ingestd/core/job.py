"""Jobs as frozen values, as they are announced. Units are in the names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ingestd.core.model import Disposition, JobId, Policy, ProofLevel


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedDrive:
    """A drive as the notice announces it; at least one of serial, WWN, label and UUID is given."""

    serial: str | None = None
    wwn: str | None = None
    volume_label: str | None = None
    volume_uuid: str | None = None
    size_bytes: int | None = None
    interface: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One announced archive: a file in the root of a volume, or a folder there with all it holds."""

    name: str
    kind: Literal["file", "folder"] = "file"
    size_bytes: int | None = None
    sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Destination:
    store: str
    prefix: str
    """Relative, '/' between its parts, none of them empty, '.' or '..'."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PolicyChange:
    """One requirement that this job wants treated differently from the site's rule."""

    requirement: str
    policy: Policy


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One customer's load as the order system expects it."""

    job_id: JobId
    version: int
    tenant: str
    drives: tuple[ExpectedDrive, ...]
    items: tuple[Item, ...]
    """Empty: everything on the drive is to be loaded."""
    destination: Destination
    requirements: tuple[PolicyChange, ...] = ()
    priority: int = 5
    """1 to 9; also the weight of its share of the uplink."""
    due_at: float | None = None
    proof: ProofLevel = ProofLevel.LISTED
    disposition: Disposition = Disposition.DISPOSE
    carrier_reference: str | None = None
    keep_on_failure: bool = False
    """Leave in the store what was stored of a load that failed."""
