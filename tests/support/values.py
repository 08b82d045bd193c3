"""Plain values for tests of the core, all from one invented day at station quay-03."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from ingestd.core.drive import DriveFacts, DriveHandle, DriveIdentity, Sighting, Ticket, VolumeFacts
from ingestd.core.found import (
    ByteRange,
    FaultKind,
    FileFault,
    ItemFact,
    Ledger,
    Presence,
    Receipt,
    Samples,
    Secrecy,
    SecrecyFact,
    SurveyFacts,
)
from ingestd.core.job import Destination, ExpectedDrive, Item, Job
from ingestd.core.limits import Limits
from ingestd.core.model import BayName, Failure, FailureKind, JobId, LoadId, ProofLevel

AT = 1_936_772_400.0
"""The morning of 17 May 2031, in seconds since 1970."""

FILE_BYTES = 1_000
STORE = "harrow-archive"
SHARED_STORE = "quay-shelf"
SONAR = JobId("tidewrack-0117")
SERIAL = "HQ7K2M9A"

LIMITS = Limits(
    station="quay-03",
    loads_max=2,
    unclaimed_after_s=3600.0,
    stores=(STORE, SHARED_STORE),
    stores_shared=(SHARED_STORE,),
)

SHARED = replace(LIMITS, shared=True)
"""The same station among others that work on the same jobs."""


def identity(serial: str | None = SERIAL, **changes: Any) -> DriveIdentity:
    """A drive that says everything of itself; its WWN follows from its serial."""
    known = {"wwn": f"3d5e7f90{serial}".lower(), "model": "Fathom D4000", "size_bytes": 4_000_787_030_016}
    return DriveIdentity(serial=serial, **{**known, **changes})


def facts(
    serial: str | None = SERIAL,
    *,
    label: str | None = None,
    uuid: str | None = None,
    ticket: str | None = None,
    **changes: Any,
) -> DriveFacts:
    return DriveFacts(
        identity=identity(serial, **changes),
        interface="usb3",
        volumes=(VolumeFacts(name="vol-1", file_system="exfat", label=label, uuid=uuid),),
        tickets=(Ticket(volume="vol-1", job_id=JobId(ticket)),) if ticket else (),
    )


def handle(bay: str = "bay-1", generation: int = 1) -> DriveHandle:
    return DriveHandle(locator=f"/floor/{bay}", generation=generation)


def sighting(bay: str = "bay-1", drive: DriveFacts | None = None, generation: int = 1) -> Sighting:
    drive = drive or facts()
    return Sighting(
        bay=BayName(bay),
        handle=handle(bay, generation),
        identity=drive.identity,
        interface=drive.interface,
    )


def job(job_id: str = SONAR, *serials: str, **changes: Any) -> Job:
    """A job of one drive, or of as many as serials are given."""
    drives = tuple(ExpectedDrive(serial=serial) for serial in serials or (SERIAL,))
    tenant = changes.pop("tenant", "tidewrack-survey")
    prefix = changes.pop("prefix", f"{tenant}/{job_id}")
    store = changes.pop("store", STORE)
    values: dict[str, Any] = {
        "job_id": JobId(job_id),
        "version": 1,
        "tenant": tenant,
        "drives": drives,
        "items": (),
        "destination": Destination(store=store, prefix=prefix),
    }
    return Job(**{**values, **changes})


def item(name: str = "reef-north.tar.age", **changes: Any) -> Item:
    return Item(name=name, **changes)


def ledger(pending: int = 0, stored: int = 0, failed: int = 0, skipped: int = 0) -> Ledger:
    """A ledger of so many files of a thousand bytes."""
    total = pending + stored + failed + skipped
    return Ledger(
        discovered_files=total,
        discovered_bytes=total * FILE_BYTES,
        pending_files=pending,
        pending_bytes=pending * FILE_BYTES,
        stored_files=stored,
        stored_bytes=stored * FILE_BYTES,
        failed_files=failed,
        failed_bytes=failed * FILE_BYTES,
        skipped_files=skipped,
        skipped_bytes=skipped * FILE_BYTES,
    )


def survey(pending: int = 3, **changes: Any) -> SurveyFacts:
    """A survey that finds no fault, unless `changes` say otherwise."""
    known: dict[str, Any] = {
        "volumes": (VolumeFacts(name="vol-1", file_system="exfat"),),
        "ledger": ledger(pending=pending),
    }
    return SurveyFacts(**{**known, **changes})


def found(*names: str, size_bytes: int = FILE_BYTES) -> tuple[ItemFact, ...]:
    return tuple(
        ItemFact(item=item(name), presence=Presence.FOUND, volume="vol-1", size_bytes=size_bytes)
        for name in names
    )


def missing(*names: str) -> tuple[ItemFact, ...]:
    return tuple(ItemFact(item=item(name), presence=Presence.MISSING) for name in names)


def plain(path: str = "vol-1/reef-north.tar") -> SecrecyFact:
    return SecrecyFact(path=path, secrecy=Secrecy.PLAIN, kind="a tar archive")


def doubtful(path: str = "vol-1/reef-north.bin") -> SecrecyFact:
    return SecrecyFact(path=path, secrecy=Secrecy.UNKNOWN, kind="it is too short to tell")


def changed(count: int = 1) -> Samples:
    return Samples(count=count, size_bytes=count * FILE_BYTES, examples=("vol-1/reef-north.tar.age",))


_FOUND = {FaultKind.NOT_SUPPORTED: "Operation not supported"}


def fault(path: str = "vol-1/reef-north.tar.age", kind: FaultKind = FaultKind.CHECKSUM_MISMATCH) -> FileFault:
    ranges = (ByteRange(offset_bytes=512, length_bytes=256),) if kind is FaultKind.UNREADABLE else ()
    mismatch = kind is FaultKind.CHECKSUM_MISMATCH
    return FileFault(
        kind=kind,
        file_no=0,
        path=path,
        size_bytes=FILE_BYTES,
        expected="6b2f" * 16 if mismatch else None,
        found="0d51" * 16 if mismatch else _FOUND.get(kind, "a tar archive"),
        source="notice" if mismatch else None,
        ranges=ranges,
    )


def failure(kind: FailureKind = FailureKind.UNKNOWN, text: str = "as the test wants it") -> Failure:
    return Failure(kind=kind, text=text)


def receipt(load_id: str, of: Job, files: int = 3, **changes: Any) -> Receipt:
    known: dict[str, Any] = {
        "load_id": LoadId(load_id),
        "job_id": of.job_id,
        "tenant": of.tenant,
        "station": LIMITS.station,
        "serial": SERIAL,
        "wwn": None,
        "model": None,
        "store": of.destination.store,
        "prefix": of.destination.prefix,
        "manifest": f"{of.destination.prefix}/.ingest/{load_id}.sha256",
        "manifest_sha256": "e3b0" * 16,
        "files": files,
        "stored_bytes": files * FILE_BYTES,
        "skipped_files": 0,
        "skipped_bytes": 0,
        "proof": ProofLevel.LISTED,
        "files_read_back": 0,
        "bytes_read_back": 0,
        "proved_at": AT,
    }
    return Receipt(**{**known, **changes})
