"""Passes that end badly: killed, cancelled, let down by the store, the journal or the drive."""

from __future__ import annotations

import contextlib
import errno
import gc
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, cast
from unittest import mock

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from tenacity import wait_fixed

from ingestd.core.model import LoadId
from ingestd.ports import (
    Cancelled,
    DriveGoneError,
    JournalError,
    Manifest,
    PartRecord,
    StoreBusy,
    StoreConflict,
    StoreDigest,
    StoreFull,
    StoreUnreachable,
)
from ingestd.store.folder import FolderStore
from ingestd.transfer import packed, stopping
from ingestd.transfer.session import Session
from ingestd.transfer.source import Source
from tests.support.byte_path import (
    KIB,
    LOAD,
    BytePath,
    Token,
    byte_path,
    care,
    content,
    data_objects,
    key,
    make_drive,
    sha256,
)
from tests.support.fake_drive import BadSpot, FakeDrive, survey, surveyed
from tests.support.fake_manifest import FakeManifest
from tests.support.fake_store import FakeMedium, FakeStore
from tests.support.journals import open_journal

FILES = {
    "a/large 1": content(100 * KIB, 1),
    "a/large 2": content(17 * KIB, 2),
    "b/whole": content(8 * KIB, 3),
    "b/tiny": b"x",
    "c/empty": b"",
    "d/large 3": content(48 * KIB, 4),
}


pytestmark = pytest.mark.usefixtures("no_long_waits")


class Killed(BaseException):
    """The process is dead: whatever it does from now on has no effect."""


class Life:
    """Counts the operations on the store and the manifest, and does something at a chosen one."""

    def __init__(self, at: int, then: Callable[[], None]) -> None:
        self._lock = threading.Lock()
        self._left = at
        self._then = then

    def step(self) -> None:
        with self._lock:
            self._left -= 1
            over = self._left < 0
        if over:
            self._then()

    def fault(self, operation: str, object_key: bytes) -> None:
        self.step()


class MortalManifest:
    """A manifest that takes a step of a life before each operation."""

    def __init__(self, manifest: Manifest, life: Life) -> None:
        self._manifest = manifest
        self._life = life

    def __getattr__(self, name: str) -> Any:
        operation = getattr(self._manifest, name)

        def mortal(*args: Any) -> Any:
            self._life.step()
            return operation(*args)

        return mortal


def mortal(manifest: Manifest, life: Life) -> Manifest:
    return cast(Manifest, MortalManifest(manifest, life))


def die() -> None:
    raise Killed


# -- killed ---------------------------------------------------------------------------------------

sizes = st.lists(
    st.sampled_from([0, 1, 100, 8 * KIB, 8 * KIB + 1, 16 * KIB, 16 * KIB + 1, 50 * KIB, 128 * KIB]),
    min_size=1,
    max_size=10,
)


@settings(max_examples=60)
@given(sizes, st.lists(st.integers(0, 60), max_size=5))
def test_killed_at_any_moment_it_goes_on_where_it_was(file_sizes: list[int], lives: list[int]) -> None:
    with tempfile.TemporaryDirectory() as folder, byte_path(Path(folder)) as path:
        files = {f"{number}": content(size, number) for number, size in enumerate(file_sizes)}
        drive, medium = make_drive(Path(folder) / "drive", files), FakeMedium()
        manifest = surveyed(drive)
        for at in lives:
            life = Life(at, die)
            with contextlib.suppress(Killed):
                path.transfer(drive, FakeStore(medium=medium, fault=life.fault), mortal(manifest, life))
            assert manifest.ledger().balanced
        ledger, faults = path.transfer(drive, FakeStore(medium=medium), manifest)
        assert faults == ()
        assert (ledger.pending_files, ledger.arrived_bytes) == (0, 0)
        assert data_objects(medium.objects) == files
        assert {row.key: row.sha256 for row in manifest.stored(-1, 99)} == {
            key(name): sha256(body) for name, body in files.items()
        }
        assert path.governor.sent <= sum(file_sizes) + len(lives) * path.in_flight_max_bytes
        drive.close()


def test_after_a_kill_only_what_was_on_its_way_is_sent_again(path: BytePath, tmp_path: Path) -> None:
    body = content(640 * KIB)
    drive, medium = make_drive(tmp_path / "drive", {"a": body}), FakeMedium()
    manifest = surveyed(drive)
    life = Life(40, die)
    with pytest.raises(Killed):
        path.transfer(drive, FakeStore(medium=medium, fault=life.fault), mortal(manifest, life))
    recorded = len(manifest.parts(0))
    assert 5 < recorded < 40
    path.governor.sent = 0
    path.transfer(drive, FakeStore(medium=medium), manifest)
    assert path.governor.sent == len(body) - recorded * 16 * KIB
    assert data_objects(medium.objects) == {"a": body}


def test_killed_between_the_key_and_the_record_nothing_is_sent_again(path: BytePath, tmp_path: Path) -> None:
    drive, medium = make_drive(tmp_path / "drive", {"a": content(40 * KIB)}), FakeMedium()
    manifest = surveyed(drive)
    with mock.patch.object(manifest, "record_stored", side_effect=Killed), pytest.raises(Killed):
        path.transfer(drive, FakeStore(medium=medium), manifest)
    assert data_objects(medium.objects) == {"a": content(40 * KIB)}
    path.governor.sent = 0
    ledger, _ = path.transfer(drive, FakeStore(medium=medium), manifest)
    assert (ledger.stored_files, path.governor.sent) == (1, 0)


def test_an_object_from_another_reading_of_the_same_file_goes_and_the_file_is_sent_again(
    path: BytePath, tmp_path: Path
) -> None:
    drive, medium = make_drive(tmp_path / "drive", {"a": content(40 * KIB, 1)}), FakeMedium()
    manifest = surveyed(drive)
    with mock.patch.object(manifest, "record_stored", side_effect=Killed), pytest.raises(Killed):
        path.transfer(drive, FakeStore(medium=medium), manifest)
    file = tmp_path / "drive" / "volume-1" / "a"
    facts = file.stat()
    file.write_bytes(content(40 * KIB, 2))
    os.utime(file, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    ledger, _ = path.transfer(drive, FakeStore(medium=medium), manifest)
    assert (ledger.pending_files, ledger.arrived_bytes) == (1, 0)
    path.transfer(drive, FakeStore(medium=medium), manifest)
    assert data_objects(medium.objects) == {"a": content(40 * KIB, 2)}


def test_parts_of_another_reading_are_sent_again_from_the_first_difference_on(
    path: BytePath, tmp_path: Path
) -> None:
    drive, medium = make_drive(tmp_path / "drive", {"a": content(160 * KIB, 1)}), FakeMedium()
    manifest = surveyed(drive)
    with mock.patch.object(FakeStore, "put_whole", side_effect=Killed), pytest.raises(Killed):
        path.transfer(drive, FakeStore(medium=medium), manifest)
    assert len(manifest.parts(0)) == 10
    file = tmp_path / "drive" / "volume-1" / "a"
    facts, body = file.stat(), bytearray(content(160 * KIB, 1))
    body[50_000] ^= 1
    file.write_bytes(body)
    os.utime(file, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    path.governor.sent = 0
    path.transfer(drive, FakeStore(medium=medium), manifest)
    assert path.governor.sent == 160 * KIB - 3 * 16 * KIB
    assert data_objects(medium.objects) == {"a": bytes(body)}


def test_what_a_dead_pass_stored_of_a_file_that_fails_now_is_removed(path: BytePath, tmp_path: Path) -> None:
    files = {"large": content(40 * KIB), "small": b"1234"}
    drive, medium = make_drive(tmp_path / "drive", files), FakeMedium()
    manifest = surveyed(drive)
    with mock.patch.object(manifest, "record_stored", side_effect=Killed), pytest.raises(Killed):
        path.transfer(drive, FakeStore(medium=medium), manifest)
    assert medium.objects
    drive.bad = {"large": [BadSpot(30 * KIB, 1)], "small": [BadSpot(0, 1)]}
    ledger, faults = path.transfer(drive, FakeStore(medium=medium), manifest)
    assert (len(faults), ledger.failed_files) == (2, 2)
    assert medium.objects == {}


def test_an_upload_that_the_store_lost_is_begun_anew(path: BytePath, tmp_path: Path) -> None:
    drive, medium = make_drive(tmp_path / "drive", {"a": content(160 * KIB)}), FakeMedium()
    manifest = surveyed(drive)
    life = Life(16, die)
    with pytest.raises(Killed):
        path.transfer(drive, FakeStore(medium=medium, fault=life.fault), mortal(manifest, life))
    assert manifest.parts(0)
    medium.uploads.clear()
    ledger, _ = path.transfer(drive, FakeStore(medium=medium), manifest)
    assert (ledger.stored_files, ledger.arrived_bytes) == (1, 0)
    assert data_objects(medium.objects) == {"a": content(160 * KIB)}


class KeepsParts(FakeManifest):
    """Takes parts of an earlier upload for those of the one that follows it."""

    def record_upload(self, file_no: int, token: str, part_bytes: int) -> None:
        self.rows[file_no].upload = (token, part_bytes)


def test_parts_of_a_lost_upload_are_never_taken_for_parts_of_the_next_one(
    path: BytePath, tmp_path: Path
) -> None:
    drive, medium, manifest = (
        make_drive(tmp_path / "drive", {"a": content(160 * KIB)}),
        FakeMedium(),
        KeepsParts(),
    )
    survey(drive, manifest)
    with mock.patch.object(FakeStore, "put_whole", side_effect=Killed), pytest.raises(Killed):
        path.transfer(drive, FakeStore(medium=medium), manifest)
    medium.uploads.clear()
    for at in (8, 12):
        life = Life(at, die)
        with contextlib.suppress(Killed):
            path.transfer(drive, FakeStore(medium=medium, fault=life.fault), mortal(manifest, life))
    path.transfer(drive, FakeStore(medium=medium), manifest)
    assert data_objects(medium.objects) == {"a": content(160 * KIB)}


def test_an_upload_in_larger_parts_than_there_are_buffers_is_begun_anew(
    path: BytePath, tmp_path: Path
) -> None:
    drive, medium = make_drive(tmp_path / "drive", {"a": content(160 * KIB)}), FakeMedium()
    manifest = surveyed(drive)
    token = FakeStore(medium=medium).begin(key("a"), 160 * KIB).token
    manifest.record_upload(0, token, 1 << 20)
    path.transfer(drive, FakeStore(medium=medium), manifest)
    assert data_objects(medium.objects) == {"a": content(160 * KIB)}
    assert medium.uploads == {}


_CHILD = """
import sys
from pathlib import Path
from ingestd.store.folder import FolderStore
from tests.support.byte_path import LOAD, BytePath
from tests.support.fake_drive import FakeDrive
from tests.support.journals import open_journal
root = Path(sys.argv[1])
manifest = open_journal(root / "journal").manifest(LOAD)
print("ready", flush=True)
BytePath(root, rate_bytes_per_second=1_000_000).transfer(
    FakeDrive(root / "drive"), FolderStore("harrow", str(root / "store")), manifest)
"""


def test_a_process_that_is_really_killed_leaves_nothing_wrong(tmp_path: Path) -> None:
    files = {f"large {number}": content(300 * KIB, number) for number in range(4)}
    files |= {f"small {number:03}": content(number * 10, number) for number in range(200)}
    drive = make_drive(tmp_path / "drive", files)
    for name in ("store", "journal"):
        (tmp_path / name).mkdir()
    journal = open_journal(tmp_path / "journal")
    survey(drive, journal.manifest(LOAD))
    journal.close()
    for after_s in (0.02, 0.1, 0.2):
        command = [sys.executable, "-c", _CHILD, str(tmp_path)]
        child = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(after_s)
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdout.close()
    journal, store = open_journal(tmp_path / "journal"), FolderStore("harrow", str(tmp_path / "store"))
    manifest = journal.manifest(LOAD)
    before = manifest.ledger()
    assert before.balanced
    assert 0 < before.stored_bytes + before.arrived_bytes < before.discovered_bytes
    with byte_path(tmp_path) as path:
        ledger, faults = path.transfer(drive, store, manifest)
        left = before.pending_bytes - before.arrived_bytes
        assert path.governor.sent <= left
    assert (faults, ledger.pending_files) == ((), 0)
    assert all((tmp_path / "store" / key(name).decode()).read_bytes() == body for name, body in files.items())
    live = [token for _, token in manifest.uploads()]
    store.sweep(live)
    assert list((tmp_path / "store" / ".ingest-parts").iterdir()) == []
    journal.close()


# -- cancelled ------------------------------------------------------------------------------------


@settings(max_examples=40)
@given(st.integers(0, 60))
@example(0)
def test_cancelled_at_any_moment_it_stops_clean_and_goes_on_later(at: int) -> None:
    with tempfile.TemporaryDirectory() as folder, byte_path(Path(folder)) as path:
        drive, medium, token = make_drive(Path(folder) / "drive", FILES), FakeMedium(), Token()
        manifest, life = surveyed(drive), Life(at, token.cancel)
        store = FakeStore(medium=medium, fault=life.fault)
        try:
            path.transfer(drive, store, mortal(manifest, life), cancel=token)
        except Cancelled:
            assert token.cancelled
        assert manifest.ledger().balanced
        path.assert_nothing_left()
        path.transfer(drive, FakeStore(medium=medium), manifest)
        assert data_objects(medium.objects) == FILES
        drive.close()


def test_a_pass_that_waits_for_the_line_stops_at_once(tmp_path: Path) -> None:
    with byte_path(tmp_path, rate_bytes_per_second=1_000) as path:
        drive, store, token = make_drive(tmp_path / "drive", {"a": content(640 * KIB)}), FakeStore(), Token()
        threading.Timer(0.3, token.cancel).start()
        began = time.monotonic()
        with pytest.raises(Cancelled):
            path.transfer(drive, store, surveyed(drive), cancel=token)
        assert time.monotonic() - began < 3.0, "the line would need ten minutes"


def test_a_pass_that_waits_for_the_store_to_come_back_stops_too(path: BytePath, tmp_path: Path) -> None:
    def away(operation: str, object_key: bytes) -> None:
        raise StoreUnreachable("quay wall is dark")

    drive, token = make_drive(tmp_path / "drive", FILES), Token()
    threading.Timer(0.2, token.cancel).start()
    began = time.monotonic()
    with (
        mock.patch.object(stopping, "_JITTER", wait_fixed(60.0)),
        mock.patch.object(stopping, "_LONGEST_DELAY_S", 99),
        pytest.raises((Cancelled, StoreUnreachable)),
    ):
        path.transfer(drive, FakeStore(fault=away), surveyed(drive), cancel=token)
    assert time.monotonic() - began < 3.0, "the next try is a minute off"


def test_nothing_stays_open_on_any_way_out(path: BytePath, tmp_path: Path) -> None:
    (tmp_path / "store").mkdir()
    drive, store = make_drive(tmp_path / "drive", FILES), FolderStore("harrow", str(tmp_path / "store"))
    before = len(os.listdir("/proc/self/fd"))
    for at in range(0, 40, 3):
        token = Token()
        life = Life(at, token.cancel if at % 2 else die)
        manifest = mortal(surveyed(drive), life)
        with contextlib.suppress(Cancelled, Killed):
            path.transfer(drive, store, manifest, cancel=token)
        gc.collect()
        assert len(os.listdir("/proc/self/fd")) == before
    path.assert_nothing_left()


# -- let down by the store or the journal ---------------------------------------------------------


class Failing:
    """Faults of a store: errors for chosen operations, each a number of times."""

    def __init__(self, operation: str, error: Exception, times: int) -> None:
        self.operation, self.error, self.left = operation, error, times
        self.calls = 0

    def __call__(self, operation: str, object_key: bytes) -> None:
        if operation == self.operation:
            self.calls += 1
            if self.left:
                self.left -= 1
                raise self.error


@pytest.mark.parametrize("operation", ["begin", "put_part", "complete", "put_batch"])
@pytest.mark.parametrize("error", [StoreUnreachable("dark"), StoreBusy("tide"), StoreDigest("garbled")])
def test_short_troubles_of_the_store_are_got_over(
    path: BytePath, tmp_path: Path, operation: str, error: Exception
) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore(fault=Failing(operation, error, 2))
    ledger, _ = path.transfer(drive, store, surveyed(drive))
    assert ledger.pending_files == 0
    assert data_objects(store.objects) == FILES


@pytest.mark.parametrize("operation", ["begin", "put_part", "complete", "put_batch"])
@pytest.mark.parametrize(("error", "tries"), [(StoreUnreachable("dark"), 5), (StoreFull("no room"), 1)])
def test_lasting_troubles_end_the_pass_as_they_are(
    path: BytePath, tmp_path: Path, operation: str, error: Exception, tries: int
) -> None:
    failing = Failing(operation, error, -1)
    drive, store = (
        make_drive(tmp_path / "drive", {"l": content(17 * KIB), "s": b"1"}),
        FakeStore(fault=failing),
    )
    manifest = surveyed(drive)
    with pytest.raises(type(error)) as raised:
        path.transfer(drive, store, manifest)
    assert raised.value is error
    assert manifest.ledger().pending_files >= 1
    # Two parts of a file may be on their way at once, each with its own tries.
    assert tries <= failing.calls <= (tries if operation in ("complete", "put_batch") else 2 * tries)
    store.fault = Failing("", error, 0)
    path.transfer(drive, store, manifest)
    assert set(data_objects(store.objects)) == {"l", "s"}


@pytest.mark.parametrize("at", range(0, 45, 4))
def test_a_broken_journal_is_told_and_nothing_hangs(path: BytePath, tmp_path: Path, at: int) -> None:
    def broken() -> None:
        raise JournalError("the disk is full")

    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    try:
        path.transfer(drive, store, mortal(manifest, Life(at, broken)))
    except JournalError as error:
        assert str(error) == "the disk is full"
    path.transfer(drive, store, manifest)
    assert data_objects(store.objects) == FILES


def test_after_an_error_of_the_journal_nothing_more_is_recorded(path: BytePath, tmp_path: Path) -> None:
    drive, manifest = make_drive(tmp_path / "drive", {"a": content(320 * KIB)}), FakeManifest()
    survey(drive, manifest)
    recorded: list[int] = []

    def record_parts(parts: Sequence[PartRecord]) -> None:
        recorded.append(len(parts))
        if len(recorded) == 2:
            # Long enough for other parts to gather behind this one.
            time.sleep(0.05)
            raise JournalError("the disk is full")

    with mock.patch.object(manifest, "record_parts", record_parts), pytest.raises(JournalError):
        path.transfer(drive, FakeStore(), manifest)
    assert len(recorded) == 2


def test_a_conflict_ends_the_pass_but_what_was_read_still_arrives(path: BytePath, tmp_path: Path) -> None:
    files = {f"{number:02}": b"%02d" % number for number in range(40)}
    drive, store = make_drive(tmp_path / "drive", files), FakeStore()
    store.objects[key("07")] = b"!!"
    manifest = surveyed(drive)
    with pytest.raises(StoreConflict):
        path.transfer(drive, store, manifest)
    assert data_objects(store.objects) == files | {"07": b"!!"}
    assert [row.path for row in manifest.pending(-1, 99)] == [b"07"]
    with pytest.raises(StoreConflict):
        path.transfer(drive, store, manifest)
    assert path.take_back(store, manifest) == (39, 78)
    assert data_objects(store.objects) == {"07": b"!!"}


def test_what_lies_in_the_buffers_when_a_conflict_shows_is_still_stored(
    path: BytePath, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(packed, "FILES_MAX", 1)
    files = {f"{number:02}": b"%02d" % number for number in range(40)}
    drive, store = make_drive(tmp_path / "drive", files), FakeStore()
    store.objects[key("00")] = b"!!"
    manifest, tries, conflict = surveyed(drive), list[bytes](), threading.Event()

    def fault(operation: str, object_key: bytes) -> None:
        if object_key == key("00"):
            # Tried with its batch, and once more by itself.
            tries.append(object_key)
            if len(tries) == 2:
                conflict.set()
            while sum(path.senders.running.values()) < path.settings.senders or not path.senders.waiting:
                time.sleep(0.005)
        else:
            assert conflict.wait(10)
            time.sleep(0.1)

    store.fault = fault
    with pytest.raises(StoreConflict):
        path.transfer(drive, store, manifest)
    # Two were with senders beside the one in conflict, and one more was waiting for its turn.
    assert manifest.ledger().stored_files >= 3
    assert len(store.objects) == manifest.ledger().stored_files + 1


def test_after_a_part_in_conflict_the_file_is_not_completed(path: BytePath, tmp_path: Path) -> None:
    drive, called = make_drive(tmp_path / "drive", {"a": content(48 * KIB)}), list[str]()
    parts = iter([False, True, False])

    def fault(operation: str, object_key: bytes) -> None:
        called.append(operation)
        if operation == "put_part":
            time.sleep(0.1)
            if next(parts):
                raise StoreConflict("a stranger")

    with pytest.raises(StoreConflict):
        path.transfer(drive, FakeStore(fault=fault), surveyed(drive))
    assert called == ["stat", "begin", "put_part", "put_part", "put_part"]


def test_what_was_read_before_the_drive_went_is_still_stored(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", {"a": content(160 * KIB)}, gone_after=3)

    def fault(operation: str, object_key: bytes) -> None:
        while operation == "put_part" and not drive.gone:
            time.sleep(0.005)
        time.sleep(0.05)

    manifest = surveyed(drive)
    with pytest.raises(DriveGoneError):
        path.transfer(drive, FakeStore(fault=fault), manifest)
    assert sorted(manifest.parts(0)) == [1, 2, 3]


def test_a_conflict_of_a_large_file_overwrites_nothing(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", {"a": content(40 * KIB)}), FakeStore()
    store.objects[key("a")] = bytes(40 * KIB)
    manifest = surveyed(drive)
    with pytest.raises(StoreConflict):
        path.transfer(drive, store, manifest)
    assert data_objects(store.objects) == {"a": bytes(40 * KIB)}
    assert path.take_back(store, manifest) == (0, 0)
    assert data_objects(store.objects) == {"a": bytes(40 * KIB)}
    assert store.medium.uploads == {}


def test_a_conflict_that_a_person_resolved_is_got_over(path: BytePath, tmp_path: Path) -> None:
    files = {"large": content(40 * KIB), "small": b"1", "empty": b""}
    drive, store = make_drive(tmp_path / "drive", files), FakeStore()
    store.objects.update({key(name): b"in the way" for name in files})
    manifest = surveyed(drive)
    for _ in range(3):
        with pytest.raises(StoreConflict):
            path.transfer(drive, store, manifest)
    store.objects.clear()
    ledger, _ = path.transfer(drive, store, manifest)
    assert ledger.pending_files == 0
    assert data_objects(store.objects) == files
    assert store.medium.uploads == {}


# -- hung -----------------------------------------------------------------------------------------


def begin(
    path: BytePath, drive: FakeDrive, store: FakeStore, manifest: Manifest, token: Token
) -> threading.Thread:
    def run() -> None:
        with contextlib.suppress(Cancelled):
            path.transfer(drive, store, manifest, cancel=token)

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def test_a_read_that_hangs_shows_no_sign_of_life(tmp_path: Path) -> None:
    with byte_path(tmp_path, rate_bytes_per_second=50 * KIB) as path:
        files = {"a": content(60 * KIB), "z": b"1"}
        drive, token = make_drive(tmp_path / "drive", files, hang="z"), Token()
        pass_ = begin(path, drive, FakeStore(), surveyed(drive), token)
        time.sleep(0.6)
        # Senders are still at work on what was read before, and must not hide it.
        assert path.governor.rate(LOAD) > 0
        assert time.monotonic() - token.moved_at > 0.3
        drive.thaw.set()
        pass_.join(10)


def test_a_read_that_comes_back_too_late_judges_nothing(path: BytePath, tmp_path: Path) -> None:
    drive, token = make_drive(tmp_path / "drive", {"z": b"other than announced"}, hang="z"), Token()
    manifest = FakeManifest()
    survey(drive, manifest, expected={"z": (sha256(b"as announced"), "notice")})
    pass_ = begin(path, drive, FakeStore(), manifest, token)
    time.sleep(0.1)
    token.cancel()
    drive.thaw.set()
    pass_.join(10)
    assert manifest.ledger().pending_files == 1


@pytest.mark.parametrize("large", [True, False])
def test_a_fault_that_comes_too_late_takes_nothing_away(path: BytePath, tmp_path: Path, large: bool) -> None:
    body = content((40 if large else 1) * KIB)
    drive, token, store = make_drive(tmp_path / "drive", {"z": body}, hang="z"), Token(), FakeStore()
    manifest = surveyed(drive)
    upload = store.begin(key("z"), len(body)).token
    if large:
        manifest.record_upload(0, upload, 16 * KIB)
    manifest.record_attempt([(0, sha256(body), key("z"))])
    pass_ = begin(path, drive, store, manifest, token)
    time.sleep(0.1)
    token.cancel()
    # The next pass has come as far by now.
    store.objects[key("z")] = body
    drive.bad = {"z": [BadSpot(0, 1)]}
    drive.thaw.set()
    pass_.join(10)
    assert data_objects(store.objects) == {"z": body}
    assert upload in store.medium.uploads
    assert manifest.ledger().pending_files == 1


def test_of_a_pass_that_was_given_up_nothing_is_asked_of_the_store(path: BytePath, tmp_path: Path) -> None:
    drive, token = make_drive(tmp_path / "drive", {"a": b"1"}), Token()
    manifest, asked = surveyed(drive), list[str]()
    pass_ = Session(
        path.means(drive),
        path.command(),
        drive,
        FakeStore(),
        manifest,
        lambda ledger, rate: None,
        token,
        care(),
    )
    pass_._out.ask(lambda: asked.append("while it lasts"))
    manifest.fenced = True
    with pytest.raises(Cancelled):
        pass_._out.ask(lambda: asked.append("after another has claimed the manifest"))
    manifest.fenced = False
    token.cancel()
    with pytest.raises(Cancelled):
        pass_._out.ask(lambda: asked.append("after it was cancelled"))
    assert asked == ["while it lasts"]


def test_a_pass_whose_manifest_was_claimed_ends_without_a_word(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)

    def fault(operation: str, object_key: bytes) -> None:
        manifest.fenced = True

    store.fault = fault
    with pytest.raises(Cancelled):
        path.transfer(drive, store, manifest)
    assert manifest.ledger().stored_files == 0


def test_what_a_drive_says_too_late_is_no_fault(path: BytePath, tmp_path: Path) -> None:
    drive, token = make_drive(tmp_path / "drive", {"a": b"1"}), Token()
    file = surveyed(drive).file(0)
    source = Source(drive, token, care(), drive.read)
    with source.open(file) as opened:
        token.cancel()
        with pytest.raises(Cancelled):
            opened.check_unchanged()
        with pytest.raises(Cancelled):
            source.judged(OSError(errno.EIO, os.strerror(errno.EIO)), file)
    source.close()


def test_what_nobody_would_ever_send_is_dropped(path: BytePath, tmp_path: Path) -> None:
    """Once a pass has lost its place, and all senders are promised to others."""
    for number in range(path.settings.senders):
        path.senders.register(f"other-{number}")
    drive, token = make_drive(tmp_path / "drive", {"a": b"1"}), Token()
    manifest = surveyed(drive)
    command = path.command()
    means = path.means(drive)
    pass_ = Session(means, command, drive, FakeStore(), manifest, lambda ledger, rate: None, token, care())
    lost: list[str] = []
    pass_._out.send(lambda: lost.append("sent"), lambda: lost.append("lost"))
    token.cancel()
    pass_._out.settle()
    assert lost == ["lost"]
    for number in range(path.settings.senders):
        path.senders.unregister(f"other-{number}")


@pytest.mark.parametrize("operation", ["put_part", "put_batch", "begin", "complete", "resume"])
def test_a_store_that_hangs_is_not_taken_for_a_drive_that_does(tmp_path: Path, operation: str) -> None:
    thaw, hung = threading.Event(), threading.Event()

    def fault(called: str, object_key: bytes) -> None:
        if called == operation:
            hung.set()
            thaw.wait(20)

    with byte_path(tmp_path) as path:
        drive, store, token = make_drive(tmp_path / "drive", FILES), FakeStore(fault=fault), Token()
        manifest = surveyed(drive)
        manifest.record_upload(
            0, FakeStore(medium=store.medium).begin(key("a/large 1"), 100 * KIB).token, 16 * KIB
        )
        pass_ = begin(path, drive, store, manifest, token)
        assert hung.wait(5)
        time.sleep(0.5)
        assert time.monotonic() - token.moved_at < 0.3
        thaw.set()
        pass_.join(10)
        assert data_objects(store.objects) == FILES


def test_a_drive_that_hangs_costs_the_other_loads_nothing_once_it_is_given_up(tmp_path: Path) -> None:
    with byte_path(tmp_path) as path:
        files = {"a": content(40 * KIB), "z": content(40 * KIB)}
        drive, token, store = make_drive(tmp_path / "drive", files, hang="z"), Token(), FakeStore()
        manifest = surveyed(drive)
        pass_ = begin(path, drive, store, manifest, token)
        time.sleep(0.2)
        assert path.pool.held != {}
        token.cancel()
        path.assert_others_have_all()
        others = [make_drive(tmp_path / str(number), FILES) for number in range(3)]
        for number, other in enumerate(others):
            elsewhere = FakeStore()
            path.transfer(other, elsewhere, surveyed(other), load_id=LoadId(f"other-{number}"))
            assert data_objects(elsewhere.objects) == FILES
        assert pass_.is_alive()
        before = (dict(store.objects), manifest.ledger())
        drive.bad = {"z": [BadSpot(0, 1)]}
        drive.thaw.set()
        pass_.join(10)
        # The read came back with an error, long after: that is no longer this pass's to judge.
        assert (dict(store.objects), manifest.ledger()) == before
