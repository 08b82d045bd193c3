"""Taking back what a load has stored."""

from __future__ import annotations

import contextlib
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from unittest import mock

import pytest
import structlog
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.core.found import FaultKind, Receipt
from ingestd.ports import Cancelled, Store, StoreConflict, StoreRefused, StoreUnreachable
from ingestd.store.folder import FolderStore
from ingestd.transfer.proof import ProofMismatch
from tests.support.byte_path import KIB, BytePath, Token, byte_path, content, key, make_drive, sha256
from tests.support.fake_drive import FakeDrive, survey, surveyed
from tests.support.fake_store import FakeMedium, FakeStore
from tests.support.journals import open_journal
from tests.support.stores import put

FILES = {f"tiles/{number:03}": content(number, number) for number in range(80)} | {
    "large 1": content(100 * KIB, 1),
    "large 2": content(60 * KIB, 2),
}
SIZE = sum(map(len, FILES.values()))
FEW = {name: body for name, body in FILES.items() if name.endswith(("1", "2"))}
"""Enough for what is tried many times over."""
FOREIGN = {key("not ours"): b"1", b"alder-press/book.tar.age": b"2"}


pytestmark = pytest.mark.usefixtures("no_long_waits")


def store_with_foreign() -> FakeStore:
    store = FakeStore()
    store.objects.update(FOREIGN)
    return store


class Dead(BaseException):
    """The process is dead."""


# -- after a load ---------------------------------------------------------------------------------


def test_all_of_a_load_goes_records_included_and_nothing_else(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), store_with_foreign()
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    assert isinstance(path.prove(drive, store, manifest), Receipt)
    assert path.take_back(store, manifest) == (len(FILES), SIZE)
    assert store.objects == FOREIGN
    ledger = manifest.ledger()
    assert (ledger.stored_files, ledger.pending_files) == (0, len(FILES))
    assert path.take_back(store, manifest) == (0, 0)
    path.transfer(drive, store, manifest)
    assert manifest.ledger().pending_files == 0


def test_in_a_folder_no_empty_folders_stay(path: BytePath, tmp_path: Path) -> None:
    for name in ("store", "journal"):
        (tmp_path / name).mkdir()
    drive, store = make_drive(tmp_path / "drive", FILES), FolderStore("harrow", str(tmp_path / "store"))
    journal = open_journal(tmp_path / "journal")
    manifest = journal.manifest("load-7")  # type: ignore[arg-type]
    survey(drive, manifest)
    path.transfer(drive, store, manifest)
    assert isinstance(path.prove(drive, store, manifest), Receipt)
    assert path.take_back(store, manifest) == (len(FILES), SIZE)
    assert [each.name for each in (tmp_path / "store").iterdir()] == [".ingest-parts"]
    assert list((tmp_path / "store" / ".ingest-parts").iterdir()) == []
    journal.close()


def test_a_load_that_stored_nothing_leaves_nothing_to_take_back(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), store_with_foreign()
    store.objects[key("tiles/010")] = content(10, 10)
    before = dict(store.objects)
    assert path.take_back(store, surveyed(drive)) == (0, 0)
    assert store.objects == before


# -- after a load that died -----------------------------------------------------------------------


@settings(max_examples=30)
@given(st.integers(0, 30), st.booleans(), st.booleans())
def test_after_a_kill_nothing_stays(at: int, several: bool, in_folder: bool) -> None:
    """Wherever the process died, and whichever files had their keys without a record of it."""
    with tempfile.TemporaryDirectory() as scratch, byte_path(Path(scratch)) as path:
        names = ("volume-1", "volume-2") if several else ("volume-1",)
        make_drive(Path(scratch) / "drive", FEW, names[-1])
        drive, medium = FakeDrive(Path(scratch) / "drive", names=names), FakeMedium()
        medium.objects.update(FOREIGN)
        manifest, left, lock = surveyed(drive), [at], threading.Lock()

        def fault(operation: str, object_key: bytes) -> None:
            with lock:
                left[0] -= 1
                if left[0] < 0:
                    raise Dead

        def dies(files: object, found: object = ()) -> None:
            raise Dead

        folder = "drive-2" if in_folder else ""
        with contextlib.suppress(Dead):
            path.transfer(drive, FakeStore(medium=medium, fault=fault), manifest, folder=folder)
        recorded = manifest.record_stored
        manifest.record_stored = dies  # type: ignore[method-assign]
        with contextlib.suppress(Dead):
            path.transfer(drive, FakeStore(medium=medium), manifest, folder=folder)
        manifest.record_stored = recorded  # type: ignore[method-assign]
        path.take_back(FakeStore(medium=medium), manifest, folder=folder, several_volumes=several)
        assert medium.objects == FOREIGN
        assert medium.uploads == {}
        assert manifest.uploads() == []
        assert manifest.ledger().pending_files == len(FEW)
        drive.close()


def test_what_lies_under_a_pending_files_key_but_is_not_ours_stays(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    # Never begun; sent, but another content of the same size is there; begun in parts, but not complete.
    strangers = {
        key("tiles/050"): content(50, 50),
        key("tiles/010"): content(10, 99),
        key("large 1"): content(100 * KIB, 1),
    }
    store.objects.update(strangers)
    numbers = {row.path: row.file_no for row in manifest.pending(-1, 99)}
    manifest.record_attempt([(numbers[b"tiles/010"], sha256(content(10, 10)), key("tiles/010"))])
    manifest.record_upload(numbers[b"large 1"], store.begin(key("large 1"), 100 * KIB).token, 16 * KIB)
    with structlog.testing.capture_logs() as logs:
        assert path.take_back(store, manifest) == (0, 0)
    assert store.objects == strangers
    assert store.medium.uploads == {}
    assert [(log["event"], log["count"]) for log in logs] == [("objects_left_alone", 1)]
    assert manifest.left(-1, 99) == []


@pytest.mark.parametrize("vouches", [False, True])
def test_what_others_have_put_over_a_stored_file_stays(path: BytePath, tmp_path: Path, vouches: bool) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore(vouches=vouches)
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    theirs = {key("tiles/050"): b"theirs", key("large 1"): b"theirs"}
    if vouches:
        theirs = {key("tiles/050"): content(50, 99), key("large 1"): content(100 * KIB, 99)}
    store.objects.update(theirs)
    with structlog.testing.capture_logs() as logs:
        assert path.take_back(store, manifest)[0] == len(FILES) - 2
    assert store.objects == theirs
    assert [(log["event"], log["count"]) for log in logs] == [("objects_left_alone", 2)]


# -- what others had stored -----------------------------------------------------------------------


def folder_store(tmp_path: Path) -> FolderStore:
    (tmp_path / "store").mkdir()
    return FolderStore("harrow", str(tmp_path / "store"))


@pytest.mark.parametrize("make", [lambda _: FakeStore(), folder_store], ids=["fake", "folder"])
def test_the_same_content_that_was_there_before_stays(
    path: BytePath, tmp_path: Path, make: Callable[[Path], Store]
) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), make(tmp_path)
    before = ("tiles/050", "tiles/070", "large 1")
    for name in before:
        put(store, key(name), FILES[name])
    manifest = surveyed(drive)
    ledger, faults = path.transfer(drive, store, manifest)
    assert (ledger.stored_files, faults) == (len(FILES), ())
    assert isinstance(path.prove(drive, store, manifest), Receipt)
    assert path.take_back(store, manifest)[0] == len(FILES) - len(before)
    for name in FILES:
        assert (store.stat(key(name)) is not None) == (name in before)


def test_so_it_does_beside_a_conflict_in_the_same_batch(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    before = {key("tiles/050"): FILES["tiles/050"], key("tiles/060"): b"another's"}
    store.objects.update(before)
    manifest = surveyed(drive)
    with pytest.raises(StoreConflict):
        path.transfer(drive, store, manifest)
    path.take_back(store, manifest)
    assert store.objects == before


def test_a_proof_never_removes_what_others_stored(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    store.objects[key("tiles/050")] = FILES["tiles/050"]
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    store.objects[key("tiles/050")] = b"they changed it"
    assert isinstance(path.prove(drive, store, manifest), ProofMismatch)
    assert store.objects[key("tiles/050")] == b"they changed it"


# -- files that changed after they were stored ----------------------------------------------------


def change(drive_folder: Path, name: str, body: bytes) -> None:
    (drive_folder / "volume-1" / name).write_bytes(body)


@pytest.mark.parametrize("name", ["tiles/050", "large 1"])
def test_of_a_file_that_changed_the_old_object_goes_too(path: BytePath, tmp_path: Path, name: str) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), store_with_foreign()
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    change(tmp_path / "drive", name, FILES[name] + b"more")
    survey(drive, manifest)
    assert manifest.ledger().pending_files == 1
    assert path.take_back(store, manifest) == (len(FILES), SIZE)
    assert store.objects == FOREIGN


@pytest.mark.parametrize("name", ["tiles/050", "large 1"])
def test_a_file_that_changed_is_stored_anew(path: BytePath, tmp_path: Path, name: str) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    change(tmp_path / "drive", name, FILES[name][::-1] + b"more")
    survey(drive, manifest)
    assert path.transfer(drive, store, manifest)[0].stored_files == len(FILES)
    assert store.objects[key(name)] == FILES[name][::-1] + b"more"
    path.take_back(store, manifest)
    assert store.objects == {}


def test_a_file_that_is_gone_since_it_changed_leaves_nothing(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    change(tmp_path / "drive", "large 1", b"different")
    survey(drive, manifest)
    (tmp_path / "drive" / "volume-1" / "large 1").unlink()
    survey(drive, manifest)
    ledger, _ = path.transfer(drive, store, manifest)
    assert (ledger.discovered_files, ledger.stored_files) == (len(FILES) - 1, len(FILES) - 1)
    assert key("large 1") not in store.objects


def test_a_checksum_announced_later_is_held_against_what_is_stored(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    announced = {"tiles/050": (b"x" * 32, "notice"), "large 2": (sha256(FILES["large 2"]), "notice")}
    survey(drive, manifest, expected=announced)
    assert manifest.ledger().pending_files == 1
    ledger, faults = path.transfer(drive, store, manifest)
    assert ([fault.kind for fault in faults], ledger.failed_files) == ([FaultKind.CHECKSUM_MISMATCH], 1)
    assert key("tiles/050") not in store.objects
    path.take_back(store, manifest)
    assert store.objects == {}


# -- interrupted ----------------------------------------------------------------------------------


@settings(max_examples=25)
@given(st.integers(0, 80))
def test_cancelled_at_any_moment_it_is_finished_the_next_time(at: int) -> None:
    with tempfile.TemporaryDirectory() as scratch, byte_path(Path(scratch)) as path:
        drive, store, token = make_drive(Path(scratch) / "drive", FEW), store_with_foreign(), Token()
        manifest, left = surveyed(drive), [at]
        path.transfer(drive, store, manifest)

        def fault(operation: str, object_key: bytes) -> None:
            left[0] -= 1
            if left[0] < 0:
                token.cancel()

        store.fault = fault
        with contextlib.suppress(Cancelled):
            path.take_back(store, manifest, cancel=token)
        assert manifest.ledger().balanced
        path.take_back(store, manifest)
        assert store.objects == FOREIGN
        assert manifest.ledger().stored_files == 0
        drive.close()


def test_a_take_back_whose_manifest_was_claimed_removes_nothing(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    before = dict(store.objects)
    manifest.fenced = True
    with pytest.raises(Cancelled):
        path.take_back(store, manifest)
    assert store.objects == before


def test_a_store_that_is_away_is_waited_for_a_little_and_then_told(path: BytePath, tmp_path: Path) -> None:
    def away(operation: str, object_key: bytes) -> None:
        raise StoreUnreachable("fog")

    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    store.fault = away
    with pytest.raises(StoreUnreachable):
        path.take_back(store, manifest)
    assert manifest.ledger().stored_files == len(FILES)


def test_a_store_that_keeps_what_it_was_told_to_remove_is_told(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    path.transfer(drive, store, manifest)
    with mock.patch.object(store, "remove"), pytest.raises(StoreRefused, match="protects"):
        path.take_back(store, manifest)
    assert manifest.ledger().stored_files == len(FILES)
