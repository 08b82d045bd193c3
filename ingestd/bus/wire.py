"""What notices carry: one model per type, and what the core makes of it.

The models say what a single field may be; `flaws` adds what only several fields together can get
wrong. The codec reports both at once, and the published JSON Schemas are generated from the models.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from sys import intern
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, JsonValue

from ingestd.bus.fields import (
    Identifier,
    PartName,
    Prefix,
    Reason,
    Sha256,
    ShortLine,
    Stamp,
    TrimmedLine,
    on_one_line,
)
from ingestd.bus.stamps import seconds
from ingestd.bus.strict import Flaw, Place
from ingestd.core.job import Destination, ExpectedDrive, Item, Job, PolicyChange
from ingestd.core.line import Cap
from ingestd.core.messages import (
    DriveAssigned,
    HoldLifted,
    JobAmended,
    JobAnnounced,
    JobWithdrawn,
    Notice,
    UplinkSet,
)
from ingestd.core.model import BayName, Decision, Disposition, JobId, LoadId, Policy, ProofLevel
from ingestd.core.requirements import CATALOGUE, may_be_changed
from ingestd.core.uplink import Limit, UplinkOrder

ITEMS_MAX = 10_000
DRIVES_MAX = 100
LIMITS_MAX = 64
CODES = tuple(sorted(code.value for code in CATALOGUE if may_be_changed(code)))
"""The requirements that a job may have treated differently."""

_HELD = ("bay", "load_id")
"""What names a load that is held."""

_PROOFS = {level.value: level for level in ProofLevel}
_DISPOSITIONS = {disposition.value: disposition for disposition in Disposition}

_IDENTIFYING = ("serial", "wwn", "volume_label", "volume_uuid")

WHOLE_MAX = 2**53 - 1
"""The largest whole number that every JSON reader keeps exact (RFC 8259, section 6)."""

Whole = Annotated[int, Field(ge=0, le=WHOLE_MAX)]
Positive = Annotated[int, Field(ge=1, le=WHOLE_MAX)]


def nearest(name: str, known: tuple[str, ...]) -> str:
    """What a mistyped name was probably meant to be, as the end of a sentence."""
    close = get_close_matches(name[:200], known, n=1)
    return f"did you mean “{close[0]}”?" if close else f"known: {', '.join(known)}"


def _code(code: str) -> str:
    if code not in CODES:
        raise ValueError(f"is not a requirement that a job may change; {nearest(code, CODES)}")
    return code


Code = Annotated[str, AfterValidator(_code), Field(json_schema_extra={"enum": list(CODES)})]


class _Model(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, use_attribute_docstrings=True)


def _at_least_one_of(names: tuple[str, ...]) -> dict[str, JsonValue]:
    return {"anyOf": [{"required": [name], "properties": {name: {"type": "string"}}} for name in names]}


class DriveData(_Model):
    """A drive of the job. At least one of serial, wwn, volume_label and volume_uuid is given."""

    model_config = ConfigDict(json_schema_extra=_at_least_one_of(_IDENTIFYING))
    serial: TrimmedLine | None = None
    """Serial number of the disk itself, not of the enclosure it sits in."""
    wwn: TrimmedLine | None = None
    """World Wide Name of the disk."""
    volume_label: ShortLine | None = None
    volume_uuid: TrimmedLine | None = None
    capacity_bytes: Positive | None = None
    interface: ShortLine | None = None

    def drive(self) -> ExpectedDrive:
        return ExpectedDrive(
            serial=self.serial,
            wwn=self.wwn,
            volume_label=self.volume_label,
            volume_uuid=self.volume_uuid,
            size_bytes=self.capacity_bytes,
            interface=self.interface and intern(self.interface),
        )


class ItemData(_Model):
    """One announced archive: a file in the root of a volume, or a folder there with all it holds."""

    name: PartName
    """As it stands in the root of the volume; unique within the job."""
    kind: Literal["file", "folder"] = "file"
    size_bytes: Whole | None = None
    """Size of the file, or of all files in the folder."""
    sha256: Sha256 | None = None
    """Only for files."""

    def item(self) -> Item:
        return Item(name=self.name, kind=self.kind, size_bytes=self.size_bytes, sha256=self.sha256)


class DestinationData(_Model):
    """Where the data goes."""

    store: Identifier
    """Name of a store that the station has configured; never credentials."""
    prefix: Prefix
    """Relative, '/' between its parts, none of them empty, '.' or '..'."""


class NoticeData(_Model, ABC):
    """The data of one type of notice."""

    @abstractmethod
    def event(self, at: float, offset: int | None) -> Notice:
        """The notice as the core takes it, received at `at`; `offset` where all stations read it in one
        place, and answer it under that number."""

    @classmethod
    def flaws(cls, data: Mapping[str, object]) -> Iterator[Flaw]:  # noqa: ARG003 - most types have none
        """What is wrong between the fields of data that may be wrong in other ways too."""
        return iter(())


class JobData(NoticeData):
    job_id: Identifier
    """The order system's name for the job."""
    version: Positive
    """Counts the notices about this job; a higher one replaces a lower one."""
    tenant: Identifier
    """Whose data it is."""
    drives: Annotated[list[DriveData], Field(min_length=1, max_length=DRIVES_MAX)]
    """The drives that carry the job."""
    items: Annotated[list[ItemData], Field(max_length=ITEMS_MAX)]
    """What is on the drives; empty when everything is to be loaded."""
    destination: DestinationData
    requirements: dict[Code, Literal["blocking", "doubtful", "noted", "off"]] = Field(default_factory=dict)
    """Requirements that this job wants treated differently from the site's rule."""
    priority: Annotated[int, Field(ge=1, le=9)] = 5
    """1 to 9; also the weight of the job's share of the uplink."""
    due_at: Stamp | None = None
    proof: Literal["listed", "sampled", "full"] = "listed"
    """How it is made certain that the store holds the data."""
    disposition: Literal["return", "dispose"] | None = None
    """What becomes of the drive; follows from return_label_enclosed when left out."""
    return_label_enclosed: bool = False
    """A prepaid return label came with the drive."""
    carrier_reference: ShortLine | None = None
    keep_on_failure: bool = False
    """Leave in the store what was stored of a load that failed."""

    def job(self) -> Job:
        by_label = "return" if self.return_label_enclosed else "dispose"
        changes = self.requirements
        return Job(
            job_id=JobId(self.job_id),
            version=self.version,
            tenant=intern(self.tenant),
            drives=tuple([drive.drive() for drive in self.drives]),
            items=tuple([item.item() for item in self.items]),
            destination=Destination(store=intern(self.destination.store), prefix=self.destination.prefix),
            requirements=_policies(changes) if changes else (),
            priority=self.priority,
            due_at=None if self.due_at is None else seconds(self.due_at),
            proof=_PROOFS[self.proof],
            disposition=_DISPOSITIONS[self.disposition or by_label],
            carrier_reference=self.carrier_reference,
            keep_on_failure=self.keep_on_failure,
        )

    @classmethod
    def flaws(cls, data: Mapping[str, object]) -> Iterator[Flaw]:
        drives = _objects(data, "drives")
        items = _objects(data, "items")
        for place, drive in drives:
            if all(drive.get(name) is None for name in _IDENTIFYING):
                yield Flaw(place, f"must have at least one of {', '.join(_IDENTIFYING)}")
        for name in ("serial", "wwn"):
            yield from _repeats(drives, name, "a drive is announced once")
        yield from _repeats(items, "name", "names are unique within a job")
        for place, item in items:
            if item.get("kind") == "folder" and item.get("sha256") is not None:
                yield Flaw((*place, "sha256"), "belongs to files only; leave it out for a folder")


class AnnouncedData(JobData):
    """A job is to be expected: the whole of it."""

    def event(self, at: float, offset: int | None) -> JobAnnounced:
        return JobAnnounced(at=at, job=self.job(), offset=offset)


class AmendedData(JobData):
    """A job has changed: the whole of it again, with a higher version."""

    def event(self, at: float, offset: int | None) -> JobAmended:
        return JobAmended(at=at, job=self.job(), offset=offset)


class WithdrawnData(NoticeData):
    """A job is no longer wanted; what was stored of it is taken back."""

    job_id: Identifier
    reason: Reason
    """For people. Line breaks become blanks."""

    def event(self, at: float, offset: int | None) -> JobWithdrawn:
        reason = on_one_line(self.reason)
        return JobWithdrawn(at=at, job_id=JobId(self.job_id), reason=reason, offset=offset)


class OperatorData(NoticeData):
    station: Identifier | None = None
    """The station it is meant for; left out, it is meant for whoever reads it."""


class AssignedData(OperatorData):
    """A person says which job the drive in a bay belongs to."""

    station: Identifier
    """Every station has such a bay, so it has to be said which one is meant."""
    bay: Identifier
    job_id: Identifier
    by: ShortLine
    """Who says so."""
    load_id: Identifier | None = None
    """The load that is meant, so that a word that comes late does not hit the next drive in the bay. It has
    to be given through a broker."""

    def event(self, at: float, offset: int | None) -> DriveAssigned:  # noqa: ARG002 - for one station
        return DriveAssigned(
            at=at,
            bay=BayName(self.bay),
            job_id=JobId(self.job_id),
            by=self.by,
            load_id=_load_id(self.load_id),
        )


class LiftedData(OperatorData):
    """A person decides about a load that is held. At least one of bay and load_id is given."""

    model_config = ConfigDict(json_schema_extra=_at_least_one_of(_HELD))
    station: Identifier
    """Every station has such a bay, so it has to be said which one is meant."""
    bay: Identifier | None = None
    """Where its drive is; left out for the load of load_id, whose drive may have been pulled."""
    decision: Literal["again", "accept", "refuse"] = "again"
    """Try again, load in spite of what was found, or let the load fail."""
    by: ShortLine
    """Who says so."""
    load_id: Identifier | None = None
    """The load that is meant, so that a word that comes late does not hit the next drive in the bay. It has
    to be given through a broker."""

    @classmethod
    def flaws(cls, data: Mapping[str, object]) -> Iterator[Flaw]:
        if all(data.get(name) is None for name in _HELD):
            yield Flaw((), f"must have at least one of {', '.join(_HELD)}")

    def event(self, at: float, offset: int | None) -> HoldLifted:  # noqa: ARG002 - for one station
        return HoldLifted(
            at=at,
            bay=BayName(self.bay) if self.bay is not None else None,
            decision=Decision(self.decision),
            by=self.by,
            load_id=_load_id(self.load_id),
        )


class UplinkData(OperatorData):
    """What the station's uplink may be used for. It replaces the notice before it, whatever the timetable
    does meanwhile; what it leaves out is as configured, so that an empty one ends it."""

    rate_bytes_per_second: Positive | None = None
    """The cap of the whole station; null lifts it, left out it is as configured."""
    burst_bytes: Positive | None = None
    """How far ahead of the cap sending may run after a pause; an eighth of a second's worth by default."""
    stores: Annotated[dict[Identifier, Positive | None], Field(max_length=LIMITS_MAX)] = {}
    """Limits of single stores, by name; null lifts one, those that are left out are as configured."""
    bays: Annotated[dict[Identifier, Positive | None], Field(max_length=LIMITS_MAX)] = {}
    """Limits of single bays, likewise."""
    until: Stamp | None = None
    """When it ends by itself; left out, it is in force until the next one, or until the configuration of
    the uplink changes."""

    def event(self, at: float, offset: int | None) -> UplinkSet:  # noqa: ARG002 - for one station
        given = "rate_bytes_per_second" in self.model_fields_set
        order = UplinkOrder(
            cap=Cap(self.rate_bytes_per_second, self.burst_bytes) if given else None,
            stores=_limits(self.stores),
            bays=_limits(self.bays),
            until=None if self.until is None else seconds(self.until),
        )
        return UplinkSet(at=at, order=order)

    @classmethod
    def flaws(cls, data: Mapping[str, object]) -> Iterator[Flaw]:
        if data.get("burst_bytes") is not None and data.get("rate_bytes_per_second") is None:
            yield Flaw(("burst_bytes",), "means nothing without rate_bytes_per_second; give both or neither")


def _limits(limits: Mapping[str, int | None]) -> tuple[Limit, ...]:
    return tuple(Limit(name, rate) for name, rate in sorted(limits.items()))


def _load_id(text: str | None) -> LoadId | None:
    return LoadId(text) if text is not None else None


NOTICES: Mapping[str, type[NoticeData]] = {
    "ingest.job.announced": AnnouncedData,
    "ingest.job.amended": AmendedData,
    "ingest.job.withdrawn": WithdrawnData,
    "ingest.drive.assigned": AssignedData,
    "ingest.hold.lifted": LiftedData,
    "ingest.uplink.set": UplinkData,
}
"""Every type of notice that a station takes."""


def _policies(changes: Mapping[str, str]) -> tuple[PolicyChange, ...]:
    return tuple(PolicyChange(requirement=code, policy=Policy(policy)) for code, policy in changes.items())


def _objects(data: Mapping[str, object], field: str) -> list[tuple[Place, Mapping[str, Any]]]:
    entries = data.get(field)
    if not isinstance(entries, list):
        return []
    return [((field, at), entry) for at, entry in enumerate(entries) if isinstance(entry, dict)]


def _repeats(entries: list[tuple[Place, Mapping[str, Any]]], field: str, rule: str) -> Iterator[Flaw]:
    if len(entries) < 2:
        return
    first: dict[str, int] = {}
    for place, entry in entries:
        value, at = entry.get(field), int(place[1])
        if isinstance(value, str) and first.setdefault(value, at) != at:
            yield Flaw((*place, field), f"is the same as in data.{place[0]}[{first[value]}]; {rule}")
