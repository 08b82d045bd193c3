"""A station's byte path for tests: drive, store, manifest, and the commands that make them meet."""

from __future__ import annotations

import hashlib
import itertools
import os
import random
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from ingestd.core.drive import DriveHandle
from ingestd.core.found import FileFault, Ledger, Receipt
from ingestd.core.job import Destination, ExpectedDrive, Job
from ingestd.core.layout import key_of
from ingestd.core.messages import Prove, Recheck, TakeBack, Transfer
from ingestd.core.model import Attempt, JobId, LoadId, ProofLevel
from ingestd.ports import Cancelled, CancelToken, Manifest, ReadInto, Store
from ingestd.transfer.buffers import BufferPool
from ingestd.transfer.damage import Patience
from ingestd.transfer.governor import Governor
from ingestd.transfer.proof import ProofMismatch
from ingestd.transfer.senders import SenderPool
from ingestd.transfer.session import LookHead, Means
from ingestd.transfer.settings import TransferSettings
from ingestd.transfer.source import Care
from ingestd.transfer.transfers import Transfers
from tests.support.fake_drive import FakeDrive

KIB = 1 << 10
LOAD = LoadId("load-7")
DESTINATION = Destination(store="harrow", prefix="tidewrack-survey/kelp-07")


class Token:
    """A cancel token as the runtime has it: asking it counts as a sign of life."""

    def __init__(self) -> None:
        self._stop = threading.Event()
        self.moved_at = time.monotonic()

    def cancel(self) -> None:
        self._stop.set()

    def check(self) -> None:
        self.beat()
        if self._stop.is_set():
            raise Cancelled

    @property
    def cancelled(self) -> bool:
        return self._stop.is_set()

    def wait(self, seconds: float) -> bool:
        self.beat()
        return self._stop.wait(seconds)

    def beat(self) -> None:
        self.moved_at = time.monotonic()


class CountingGovernor(Governor):
    """Knows how many bytes were sent in all."""

    def __init__(self, rate_bytes_per_second: int | None = None) -> None:
        super().__init__(rate_bytes_per_second)
        self._counting = threading.Lock()
        self.sent = 0

    def take(self, flow: str, size_bytes: int, cancel: CancelToken) -> None:
        super().take(flow, size_bytes, cancel)
        with self._counting:
            self.sent += size_bytes


SMALL_SETTINGS = TransferSettings(
    buffer_bytes=16 * KIB,
    buffers=4,
    senders=3,
    small_max_bytes=8 * KIB,
    report_every_s=0.02,
    settle_s=0.0,
    past_cache=False,
)
"""Without a wait for a drive that may have been pulled, and the same whatever file system tests run on."""


def care(**more: Any) -> Care:
    return Care(**{"patience": Patience(7200.0), "settle_s": 0.0, "past_cache": False, **more})


def no_format(head: bytes) -> str | None:
    del head
    return None


@dataclass
class BytePath:
    """Everything of a station that a transfer needs, with buffers small enough for small files."""

    scratch: Path
    settings: TransferSettings = SMALL_SETTINGS
    rate_bytes_per_second: int | None = None
    look_head: LookHead = no_format
    read: ReadInto | None = None
    """In place of the drive's own."""
    pool: BufferPool = field(init=False)
    senders: SenderPool = field(init=False)
    governor: CountingGovernor = field(init=False)
    reports: list[tuple[Ledger, float]] = field(default_factory=list)
    counted: list[LoadId] = field(default_factory=list)
    """For whom reading was to be counted, once for each pass or second look."""
    attempts: Iterator[int] = field(default_factory=lambda: itertools.count(1))

    def __post_init__(self) -> None:
        self.pool = BufferPool(self.settings.buffers, self.settings.buffer_bytes)
        self.senders = SenderPool(self.settings.senders)
        self.governor = CountingGovernor(self.rate_bytes_per_second)

    @property
    def in_flight_max_bytes(self) -> int:
        return self.settings.buffers * self.settings.buffer_bytes

    def _transfers(self, drive: FakeDrive | None = None) -> Transfers:
        read = self.read or (os.preadv if drive is None else drive.read)
        args = (self.settings, self.pool, self.senders, self.governor, str(self.scratch), self.look_head)
        return Transfers(*args, read=read, counted=self._counted)

    def _counted(self, load_id: LoadId, read: ReadInto) -> ReadInto:
        self.counted.append(load_id)
        return read

    def transfer(
        self,
        drive: FakeDrive,
        store: Store,
        manifest: Manifest,
        *,
        cancel: CancelToken | None = None,
        load_id: LoadId = LOAD,
        priority: int = 5,
        folder: str = "",
        sniff: bool = True,
        without: tuple[str, ...] = (),
    ) -> tuple[Ledger, tuple[FileFault, ...]]:
        command = replace(self.command(load_id, priority, folder), sniff=sniff, without=without)
        return self._transfers(drive).transfer(command, drive, store, manifest, self._note, cancel or Token())

    def command(self, load_id: LoadId = LOAD, priority: int = 5, folder: str = "") -> Transfer:
        return Transfer(
            load_id=load_id,
            attempt=Attempt(next(self.attempts)),
            handle=DriveHandle(locator="bay-1", generation=1),
            job=job(priority=priority),
            folder=folder,
            sniff=True,
        )

    def means(self, drive: FakeDrive) -> Means:
        return Means(
            settings=self.settings,
            pool=self.pool,
            senders=self.senders,
            governor=self.governor,
            look_head=self.look_head,
            clock=time.monotonic,
            read=drive.read,
        )

    def _note(self, ledger: Ledger, rate_bytes_per_second: float) -> None:
        self.reports.append((ledger, rate_bytes_per_second))

    def recheck(
        self, faults: tuple[FileFault, ...], drive: FakeDrive, manifest: Manifest
    ) -> tuple[Ledger, tuple[FileFault, ...]]:
        command = Recheck(
            load_id=LOAD,
            attempt=Attempt(next(self.attempts)),
            handle=DriveHandle(locator="bay-1", generation=1),
            job=job(),
            faults=faults,
        )
        return self._transfers(drive).recheck(command, drive, manifest, Token())

    def prove(
        self,
        drive: FakeDrive,
        store: Store,
        manifest: Manifest,
        level: ProofLevel = ProofLevel.LISTED,
        *,
        cancel: CancelToken | None = None,
        now: Callable[[], float] = lambda: 1_700_000_000.5,
    ) -> Receipt | ProofMismatch:
        command = Prove(
            load_id=LOAD,
            attempt=Attempt(next(self.attempts)),
            job=job(),
            folder="",
            facts=drive.facts,
            level=level,
        )
        return self._transfers().prove(command, "quay-03", store, manifest, cancel or Token(), now)

    def take_back(
        self,
        store: Store,
        manifest: Manifest,
        *,
        cancel: CancelToken | None = None,
        folder: str = "",
        several_volumes: bool = False,
    ) -> tuple[int, int]:
        command = TakeBack(
            load_id=LOAD,
            attempt=Attempt(next(self.attempts)),
            destination=DESTINATION,
            folder=folder,
            several_volumes=several_volumes,
        )
        return self._transfers().take_back(command, store, manifest, cancel or Token())

    def assert_nothing_left(self) -> None:
        """No buffer is held, no thread at work, nothing promised."""
        until = time.monotonic() + 5
        while time.monotonic() < until and (self.pool.held or self.senders.running or _pass_threads()):
            time.sleep(0.01)
        assert _pass_threads() == []
        self.assert_others_have_all()

    def assert_others_have_all(self) -> None:
        """All buffers and senders are to be had, at once or within moments."""
        until = time.monotonic() + 5
        while time.monotonic() < until and (self.pool.held or self.senders.running):
            time.sleep(0.01)
        assert self.pool.held == {}
        assert self.senders.running == {}
        for number in range(self.settings.senders):
            self.senders.register(f"probe-{number}")
        for number in range(self.settings.senders):
            self.senders.unregister(f"probe-{number}")

    def close(self) -> None:
        assert self.senders.close()


@contextmanager
def byte_path(scratch: Path, **settings: object) -> Iterator[BytePath]:
    path = BytePath(scratch, **settings)  # type: ignore[arg-type]
    try:
        yield path
        path.assert_nothing_left()
    finally:
        path.close()


def _pass_threads() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name.startswith("recorder-")]


def job(*, priority: int = 5) -> Job:
    return Job(
        job_id=JobId("kelp-07"),
        version=1,
        tenant="tidewrack-survey",
        drives=(ExpectedDrive(serial="KELP-0071"),),
        items=(),
        destination=DESTINATION,
        priority=priority,
    )


def key(path: str) -> bytes:
    return key_of(DESTINATION, path.encode())


def make_drive(
    folder: Path, files: Mapping[str, bytes], volume: str = "volume-1", **more: object
) -> FakeDrive:
    """A drive with these files in one volume."""
    for name, body in files.items():
        path = folder / volume / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(body)
    return FakeDrive(folder, **more)  # type: ignore[arg-type]


def content(size: int, seed: int = 0) -> bytes:
    return random.Random(seed).randbytes(size)


def sha256(body: bytes) -> bytes:
    return hashlib.sha256(body).digest()


def data_objects(objects: Mapping[bytes, bytes]) -> dict[str, bytes]:
    """What lies below the prefix, but for the records: path to content."""
    prefix = DESTINATION.prefix.encode() + b"/"
    return {
        each.removeprefix(prefix).decode(): body
        for each, body in objects.items()
        if not each.startswith(prefix + b".ingest/")
    }
