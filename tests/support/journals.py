"""Journals for tests: facts in the demo scenario, a picture of everything a journal says, and values of
any type of the core."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import Enum
from types import NoneType, UnionType
from typing import Any, Literal, NewType, Union, get_args, get_origin, get_type_hints

from hypothesis import strategies as st

from ingestd.core.drive import DriveFacts, DriveHandle, DriveIdentity
from ingestd.core.found import Ledger
from ingestd.core.job import Destination, ExpectedDrive, Job
from ingestd.core.job_record import JobRecord
from ingestd.core.messages import SaveJob, SaveLoad
from ingestd.core.model import Attempt, BayName, JobId, LoadId, Outcome
from ingestd.core.outgoing import NoticeRefused, Publish
from ingestd.core.phases import Load, Loading, Released
from ingestd.journal.journal import Journal, Restored
from ingestd.ports import (
    Expectation,
    FileEntry,
    LeftFile,
    Manifest,
    OutboxEntry,
    PendingFile,
    Said,
    StoredFile,
)

STATION = "quay-03"


def encode(event: Publish) -> bytes:
    """A stand-in for the bus's codec: what matters here is that each event has a body of its own."""
    return json.dumps({"subject": event.subject, "number": event.number, "type": event.body.TYPE}).encode()


def open_journal(folder: object) -> Journal:
    return Journal.open(str(folder), encode=encode)


def event(number: int, subject: str = STATION, *, padding: str = "") -> Publish:
    return Publish(
        subject=subject, number=number, at=1.0, body=NoticeRefused(notice=padding or "n", problems=())
    )


def save_job(number: int, version: int = 1) -> SaveJob:
    job_id = JobId(f"harrow-{number:06d}")
    job = Job(
        job_id=job_id,
        version=version,
        tenant="tidewrack-survey",
        drives=(
            ExpectedDrive(serial=f"KELP{number:06d}", wwn="0x3d5e7f90a1b2c3d4", size_bytes=4_000_787_030_016),
        ),
        items=(),
        destination=Destination(store="harrow", prefix=f"tidewrack-survey/{job_id}"),
    )
    return SaveJob(record=JobRecord(job_id=job_id, job=job))


def save_load(
    name: str, *, bay: str | None = "bay-1", released: bool = False, stored_files: int = 0
) -> SaveLoad:
    return SaveLoad(
        load=Load(
            load_id=LoadId(name),
            facts=DriveFacts(identity=DriveIdentity(serial="KELP000001"), interface="sata"),
            bay=None if bay is None else BayName(bay),
            handle=DriveHandle(locator="/dev/sdx", generation=1),
            state=Released(outcome=Outcome.LOADED, since=2.0, text="done")
            if released
            else Loading(attempt=Attempt(1)),
            started_at=1.0,
            ledger=Ledger(stored_files=stored_files, discovered_files=stored_files),
        )
    )


def entry(name: str, **changes: Any) -> FileEntry:
    """A file by its name; size and time follow from it unless they are given."""
    facts = {"volume": "volume-1", "size_bytes": 100 + len(name), "mtime_ns": 1_700_000_000, "inode": 7}
    return FileEntry(path=name.encode(), **{**facts, **changes})


def expected(name: str, sha256: bytes, by: str, *, volume: str = "volume-1") -> Expectation:
    """That somebody says what the SHA-256 of a file is."""
    return Expectation(volume, name.encode(), Said("sha256", sha256, by))


@dataclass(frozen=True)
class Picture:
    """Everything that a journal says about its facts, its outbox and one manifest."""

    restored: Restored
    outbox: tuple[OutboxEntry, ...]
    known: tuple[bool, ...]
    stored: tuple[StoredFile, ...]
    files: tuple[PendingFile, ...]
    pending: tuple[int, ...]
    left: tuple[LeftFile, ...]
    ledger: Ledger


def picture(journal: Journal, load_id: str, identities: Sequence[str]) -> Picture:
    """Read all of it, every file's row included. Raises what the journal raises.

    Parts are left out, and with them the bytes that have arrived: when they are wrong, the file that
    is read again shows it, and they are sent again.
    """
    manifest: Manifest = journal.manifest(LoadId(load_id))
    ledger = manifest.ledger()
    pending = manifest.pending(-1, 1_000_000)
    return Picture(
        restored=journal.restore(),
        outbox=tuple(journal.outbox(1_000_000)),
        known=tuple(journal.knows(identity) for identity in identities),
        stored=tuple(manifest.stored(-1, 1_000_000)),
        files=tuple(manifest.file(file_no) for file_no in range(ledger.discovered_files)),
        pending=tuple(file.file_no for file in pending),
        left=tuple(manifest.left(-1, 1_000_000)),
        ledger=replace(ledger, arrived_bytes=0),
    )


# -- values of any type of the core ---------------------------------------------------------------

texts = st.text(
    st.characters(exclude_categories=["Cs"]) | st.characters(min_codepoint=0xDC80, max_codepoint=0xDCFF),
    max_size=12,
)
"""Any text, with the surrogates that stand for bytes which are not UTF-8."""

_SCALARS: dict[Any, st.SearchStrategy[Any]] = {
    NoneType: st.none(),
    str: texts,
    bool: st.booleans(),
    int: st.integers(),
    float: st.floats(allow_nan=False, allow_infinity=False),
}


def values(hint: Any) -> st.SearchStrategy[Any]:
    """Values of a type of the core, as wild as the type allows."""
    if isinstance(hint, NewType):
        return values(hint.__supertype__)
    if isinstance(hint, type) and is_dataclass(hint):
        hints = get_type_hints(hint)
        return st.builds(hint, **{field.name: values(hints[field.name]) for field in fields(hint)})
    if isinstance(hint, type) and issubclass(hint, Enum):
        return st.sampled_from(hint)
    return _SCALARS[hint] if hint in _SCALARS else _composed(hint)


def _composed(hint: Any) -> st.SearchStrategy[Any]:
    origin, args = get_origin(hint), get_args(hint)
    if origin is Literal:
        return st.sampled_from(args)
    if origin in (Union, UnionType):
        return st.one_of(*map(values, args))
    if origin is tuple and args[-1] is Ellipsis:
        return st.lists(values(args[0]), max_size=2).map(tuple)
    assert origin is tuple, hint
    return st.tuples(*map(values, args))
