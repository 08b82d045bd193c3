"""Parts that are larger than a buffer: streamed through several, lost and sent again, resumed, adopted."""

from __future__ import annotations

import hashlib
import os
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tenacity import wait_none

from ingestd.core.found import FaultKind
from ingestd.ports import Said, StoreBusy, StoreDigest, StoreRefused, StoreUnreachable
from ingestd.transfer import stopping
from ingestd.transfer.settings import TransferSettings
from tests.support.byte_path import KIB, BytePath, byte_path, data_objects, make_drive
from tests.support.fake_drive import BadSpot, survey, surveyed
from tests.support.fake_manifest import FakeManifest
from tests.support.fake_store import FakeStore
from tests.support.stores import some_bytes

FILES = {
    "whole": some_bytes(8 * KIB, 1),
    "one part": some_bytes(90 * KIB, 2),
    "parts": some_bytes(500 * KIB + 17, 3),
    "even": some_bytes(300 * KIB, 4),
}
SETTINGS = TransferSettings(
    buffer_bytes=16 * KIB, buffers=4, senders=3, small_max_bytes=8 * KIB, report_every_s=0.02
)
PART = 100 * KIB


@pytest.fixture
def path(tmp_path: Path) -> Iterator[BytePath]:
    with byte_path(tmp_path, settings=SETTINGS) as made:
        yield made


def fails_at(operation: str, error: Callable[[], Exception], *turns: int) -> Callable[[str, bytes], None]:
    """A fault that comes up at these turns of an operation."""
    lock, count = threading.Lock(), 0

    def fault(name: str, key: bytes) -> None:
        nonlocal count
        if name != operation:
            return
        with lock:
            count += 1
            turn = count
        if turn in turns:
            raise error()

    return fault


def test_a_file_arrives_in_parts_of_the_stores_size_through_smaller_buffers(
    path: BytePath, tmp_path: Path
) -> None:
    sizes: list[int] = []
    store = FakeStore(part_bytes=PART)
    drive = make_drive(tmp_path / "drive", FILES)
    manifest = surveyed(drive)
    ledger, faults = path.transfer(drive, store, manifest)
    assert (ledger.pending_files, faults) == (0, ())
    assert data_objects(store.objects) == FILES
    for row in manifest.stored(-1, 10):
        name = row.key.rpartition(b"/")[2].decode()
        assert row.sha256 == hashlib.sha256(FILES[name]).digest()
        sizes.append(row.size_bytes)
    assert sum(sizes) == path.governor.sent
    assert path.pool.held == {}


@pytest.mark.parametrize("error", [StoreUnreachable, StoreBusy, StoreDigest])
def test_parts_that_are_lost_are_read_and_sent_again(
    path: BytePath, tmp_path: Path, error: type[Exception]
) -> None:
    store = FakeStore(part_bytes=PART, fault=fails_at("put_part", lambda: error("gone"), 1, 3, 4))
    drive = make_drive(tmp_path / "drive", FILES)
    ledger, faults = path.transfer(drive, store, surveyed(drive))
    assert (ledger.pending_files, faults) == (0, ())
    assert data_objects(store.objects) == FILES
    assert path.pool.held == {}


def test_what_is_read_again_for_the_store_is_not_hashed_again(path: BytePath, tmp_path: Path) -> None:
    store = FakeStore(part_bytes=PART, fault=fails_at("put_part", lambda: StoreBusy("gone"), 1, 2, 4, 6))
    drive, manifest = make_drive(tmp_path / "drive", FILES), FakeManifest()
    survey(
        drive,
        manifest,
        said={name: [Said("md5", hashlib.md5(body).digest(), "list")] for name, body in FILES.items()},
    )
    ledger, faults = path.transfer(drive, store, manifest)
    assert (ledger.pending_files, faults) == (0, ())
    assert drive.bytes_read > sum(map(len, FILES.values()))


def test_a_store_that_stays_away_ends_the_pass_with_its_error(path: BytePath, tmp_path: Path) -> None:
    fault = fails_at("put_part", lambda: StoreUnreachable("gone"), *range(3, 100))
    store = FakeStore(part_bytes=PART, fault=fault)
    drive = make_drive(tmp_path / "drive", FILES)
    manifest = surveyed(drive)
    with pytest.raises(StoreUnreachable, match="gone"):
        path.transfer(drive, store, manifest)
    assert path.pool.held == {}

    store.fault = fails_at("", StoreBusy)
    sent_before = path.governor.sent
    ledger, _ = path.transfer(drive, store, manifest)
    assert ledger.pending_files == 0
    assert data_objects(store.objects) == FILES
    known = 2 * PART
    assert path.governor.sent - sent_before <= sum(map(len, FILES.values())) - known + 100 * KIB


def flips_when_read_again(times: int) -> Callable[[int, list[memoryview], int], int]:
    """A drive that gives another first byte than the first time, so many times, wherever it is read again."""
    turns = Counter[int]()

    def read(fd: int, views: list[memoryview], offset: int) -> int:
        length = os.preadv(fd, views, offset)
        if length:
            views[0][0] ^= 0 < turns[offset] <= times
            turns[offset] += 1
        return length

    return read


@pytest.mark.parametrize("times", [1, 9])
def test_a_part_that_reads_otherwise_when_it_is_sent_again_never_arrives(
    path: BytePath, tmp_path: Path, times: int
) -> None:
    store = FakeStore(part_bytes=PART, fault=fails_at("put_part", lambda: StoreUnreachable("gone"), 1))
    drive = make_drive(tmp_path / "drive", {"parts": FILES["parts"]})
    path.read = flips_when_read_again(times)
    ledger, faults = path.transfer(drive, store, surveyed(drive))
    assert data_objects(store.objects) == ({"parts": FILES["parts"]} if times == 1 else {})
    assert [each.kind for each in faults] == [FaultKind.CHANGED_WHILE_READ] * (times > 1)
    assert (ledger.pending_files, store.medium.uploads, path.pool.held) == (0, {}, {})


def test_parts_that_do_not_become_their_file_are_all_sent_again_by_the_next_pass(
    path: BytePath, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stopping, "_JITTER", wait_none())
    store, garbled = FakeStore(part_bytes=PART), threading.Event()

    def garble(operation: str, key: bytes) -> None:
        if operation == "complete" and not garbled.is_set():
            garbled.set()
            for parts in store.medium.uploads.values():
                parts[0] = parts[0][::-1]

    store.fault = garble
    drive = make_drive(tmp_path / "drive", {"parts": FILES["parts"]})
    manifest = surveyed(drive)
    with pytest.raises(StoreDigest):
        path.transfer(drive, store, manifest)
    assert (store.medium.uploads, manifest.uploads()) == ({}, [])
    ledger, faults = path.transfer(drive, store, manifest)
    assert (ledger.stored_files, ledger.arrived_bytes, faults) == (1, 0, ())
    assert data_objects(store.objects) == {"parts": FILES["parts"]}
    assert path.take_back(store, manifest) == (1, len(FILES["parts"]))
    assert store.objects == {}


def test_a_refusal_ends_the_pass_at_once(path: BytePath, tmp_path: Path) -> None:
    store = FakeStore(part_bytes=PART, fault=fails_at("put_part", lambda: StoreRefused("no"), 2))
    drive = make_drive(tmp_path / "drive", FILES)
    with pytest.raises(StoreRefused):
        path.transfer(drive, store, surveyed(drive))
    assert path.pool.held == {}


def test_a_file_that_cannot_be_read_leaves_nothing_of_its_parts(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", FILES, bad={"parts": [BadSpot(250 * KIB, 10)]})
    store = FakeStore(part_bytes=PART)
    ledger, _ = path.transfer(drive, store, surveyed(drive))
    assert ledger.failed_files == 1
    assert store.medium.uploads == {}
    assert data_objects(store.objects) == {name: body for name, body in FILES.items() if name != "parts"}
    assert path.pool.held == {}


def test_how_many_are_on_their_way_under_a_cap_follows_from_the_size_of_parts(
    path: BytePath, tmp_path: Path
) -> None:
    asked = set[int]()

    def width(flow: str, part_bytes: int) -> int:
        asked.add(part_bytes)
        return 1

    path.governor.width = width  # type: ignore[method-assign]
    drive = make_drive(tmp_path / "drive", {"parts": FILES["parts"]})
    ledger, faults = path.transfer(drive, FakeStore(part_bytes=PART), surveyed(drive))
    assert (ledger.pending_files, faults) == (0, ())
    assert PART in asked
