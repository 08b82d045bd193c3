from __future__ import annotations

import contextlib
import errno
import gc
import hashlib
import os
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from ingestd.core.model import ByteRange, FaultKind, FileFault, Ledger
from ingestd.ports import (
    Cancelled,
    DriveGoneError,
    DriveUnreadable,
    JournalError,
    Manifest,
    PortError,
    ResourcesExhausted,
    StoreConflict,
    StoreFull,
    StoreUnreachable,
)
from ingestd.store.folder import FolderStore
from ingestd.transfer import session, stopping
from tests.support.byte_path import (
    KIB,
    LOAD,
    SMALL_SETTINGS,
    BytePath,
    Token,
    byte_path,
    content,
    data_objects,
    key,
    make_drive,
    sha256,
)
from tests.support.fake_drive import BadSpot, FakeDrive, survey
from tests.support.fake_manifest import FakeManifest
from tests.support.fake_store import FakeMedium, FakeStore
from tests.support.journals import open_journal

FILES = {
    "sonar/line 1.bin": content(70 * KIB, 1),
    "sonar/line 2.bin": content(16 * KIB, 2),
    "sonar/deep/line 3.bin": content(16 * KIB + 1, 3),
    "notes.txt": b"west slope, two metres of surge\n",
    "empty": b"",
}
SMALL = {f"tiles/{number:03}": content(number, number) for number in range(300)}


@pytest.fixture(autouse=True)
def no_long_waits() -> Iterator[None]:
    with mock.patch.object(stopping, "_FIRST_DELAY_S", 0.001):
        yield


@pytest.fixture
def path(tmp_path: Path) -> Iterator[BytePath]:
    with byte_path(tmp_path) as made:
        yield made


def surveyed(drive: FakeDrive, manifest: Manifest | None = None) -> FakeManifest:
    made = FakeManifest() if manifest is None else manifest
    survey(drive, made)
    assert isinstance(made, FakeManifest)
    return made


def plain(ledger: Ledger) -> Ledger:
    """Without what the fake manifest does not sum."""
    return replace(ledger, arrived_bytes=0)


# -- what a good drive comes to -------------------------------------------------------------------


def test_everything_is_stored_and_accounted_for(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES | SMALL), FakeStore()
    manifest = surveyed(drive)
    ledger, faults = path.transfer(drive, store, manifest)
    assert faults == ()
    assert data_objects(store.objects) == FILES | SMALL
    assert (ledger.stored_files, ledger.pending_files, ledger.balanced) == (305, 0, True)
    assert {row.key: row.sha256 for row in manifest.stored(-1, 999)} == {
        key(name): sha256(body) for name, body in (FILES | SMALL).items()
    }
    assert drive.bytes_read == path.governor.sent == ledger.stored_bytes
    assert store.medium.uploads == {}


def test_into_a_folder_with_the_journal(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", FILES | SMALL)
    (tmp_path / "store").mkdir()
    (tmp_path / "journal").mkdir()
    store, journal = FolderStore("harrow", str(tmp_path / "store")), open_journal(tmp_path / "journal")
    manifest = journal.manifest(LOAD)
    survey(drive, manifest)
    ledger, faults = path.transfer(drive, store, manifest)
    assert faults == ()
    assert ledger == manifest.ledger()
    assert (ledger.stored_files, ledger.pending_bytes, ledger.arrived_bytes) == (305, 0, 0)
    for name, body in (FILES | SMALL).items():
        assert (tmp_path / "store" / key(name).decode()).read_bytes() == body
    journal.close()


def test_volumes_get_a_folder_only_where_there_are_several(path: BytePath, tmp_path: Path) -> None:
    make_drive(tmp_path / "drive", {"a": b"1"}, "volume-1")
    make_drive(tmp_path / "drive", {"a": b"2"}, "volume-2")
    drive = FakeDrive(tmp_path / "drive", names=("volume-1", "volume-2"))
    store = FakeStore()
    path.transfer(drive, store, surveyed(drive), folder="drive-2")
    assert data_objects(store.objects) == {"drive-2/volume-1/a": b"1", "drive-2/volume-2/a": b"2"}


def test_a_volume_that_cannot_be_read_does_not_count_as_one_of_several(
    path: BytePath, tmp_path: Path
) -> None:
    make_drive(tmp_path / "drive", {"a": b"1"}, "volume-1")
    drive = FakeDrive(tmp_path / "drive", names=("volume-1", "volume-2"), problems={"volume-2": "luks"})
    store = FakeStore()
    path.transfer(drive, store, surveyed(drive))
    assert data_objects(store.objects) == {"a": b"1"}


def test_odd_names_and_deep_paths_arrive(path: BytePath, tmp_path: Path) -> None:
    names = [b"\xff\xfe", b"line\nfeed", b"-n", b" blank ", b"x" * 255, b"/".join([b"d" * 200] * 25)]
    root = tmp_path / "drive" / "volume-1"
    root.mkdir(parents=True)
    for number, name in enumerate(names):
        at = os.open(root, os.O_RDONLY)
        *folders, last = name.split(b"/")
        for folder in folders:
            os.mkdir(folder, dir_fd=at)
            below = os.open(folder, os.O_RDONLY, dir_fd=at)
            os.close(at)
            at = below
        fd = os.open(last, os.O_WRONLY | os.O_CREAT, dir_fd=at)
        os.write(fd, b"%d" % number)
        manifest_facts = os.fstat(fd)
        os.close(fd)
        os.close(at)
        assert manifest_facts.st_size == 1
    drive, store, manifest = FakeDrive(tmp_path / "drive"), FakeStore(), FakeManifest()
    enter_all(drive, manifest, names)
    ledger, faults = path.transfer(drive, store, manifest)
    assert faults == ()
    assert ledger.stored_files == len(names)
    prefix = key("").removesuffix(b"/")
    assert store.objects == {prefix + b"/" + name: b"%d" % number for number, name in enumerate(names)}


def enter_all(drive: FakeDrive, manifest: FakeManifest, names: list[bytes]) -> None:
    from ingestd.files import open_beneath
    from ingestd.ports import FileEntry

    entries = []
    for name in names:
        fd = open_beneath(drive.volumes[0].root_fd, name, os.O_RDONLY)
        facts = os.fstat(fd)
        os.close(fd)
        entries.append(FileEntry("volume-1", name, facts.st_size, facts.st_mtime_ns, facts.st_ino))
    manifest.add(entries)


def test_progress_is_told_and_balanced(tmp_path: Path) -> None:
    files = {str(number): content(40 * KIB, number) for number in range(8)}
    with byte_path(tmp_path, rate_bytes_per_second=600 * KIB) as path:
        drive, store = make_drive(tmp_path / "drive", files), FakeStore()
        path.transfer(drive, store, surveyed(drive))
    ledgers = [ledger for ledger, _ in path.reports]
    assert len(ledgers) > 5
    assert all(ledger.balanced for ledger in ledgers)
    assert [ledger.stored_bytes for ledger in ledgers] == sorted(ledger.stored_bytes for ledger in ledgers)
    assert any(0 < ledger.arrived_bytes <= ledger.pending_bytes for ledger in ledgers)
    assert all(ledger.stored_bytes % (40 * KIB) == 0 for ledger in ledgers)
    assert any(rate > 100 * KIB for _, rate in path.reports)


def test_several_loads_share_the_means(tmp_path: Path) -> None:
    with byte_path(tmp_path) as path:
        drives = [make_drive(tmp_path / str(number), FILES | SMALL) for number in range(3)]
        stores, manifests = [FakeStore() for _ in drives], [surveyed(drive) for drive in drives]
        errors: list[BaseException] = []

        def load(number: int) -> None:
            try:
                path.transfer(
                    drives[number], stores[number], manifests[number], load_id=session_id(number)
                )
            except BaseException as error:  # noqa: BLE001 - told below
                errors.append(error)

        threads = [threading.Thread(target=load, args=(number,)) for number in range(3)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert errors == []
        assert all(data_objects(store.objects) == FILES | SMALL for store in stores)


def session_id(number: int) -> session.Transfer.__class__:  # type: ignore[name-defined]
    from ingestd.core.model import LoadId

    return LoadId(f"load-{number}")
