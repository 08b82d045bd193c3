"""Taking back what a load has stored."""

from __future__ import annotations

import contextlib
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingestd.core.model import Receipt
from ingestd.ports import Cancelled, StoreRefused, StoreUnreachable
from ingestd.store.folder import FolderStore
from ingestd.transfer import stopping
from tests.support.byte_path import KIB, BytePath, Token, byte_path, content, key, make_drive
from tests.support.fake_drive import FakeDrive, survey
from tests.support.fake_manifest import FakeManifest
from tests.support.fake_store import FakeMedium, FakeStore
from tests.support.journals import open_journal

FILES = {f"tiles/{number:03}": content(number, number) for number in range(80)} | {
    "large 1": content(100 * KIB, 1),
    "large 2": content(60 * KIB, 2),
}
SIZE = sum(map(len, FILES.values()))
FOREIGN = {key("not ours"): b"1", b"alder-press/book.tar.age": b"2"}


@pytest.fixture(autouse=True)
def no_long_waits() -> Iterator[None]:
    with mock.patch.object(stopping, "_FIRST_DELAY_S", 0.001):
        yield


@pytest.fixture
def path(tmp_path: Path) -> Iterator[BytePath]:
    with byte_path(tmp_path) as made:
        yield made


def surveyed(drive: FakeDrive) -> FakeManifest:
    manifest = FakeManifest()
    survey(drive, manifest)
    return manifest


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


@settings(max_examples=40)
@given(st.integers(0, 40), st.booleans(), st.booleans())
def test_after_a_kill_nothing_stays(at: int, several: bool, in_folder: bool) -> None:
    """Wherever the process died, and whichever files had their keys without a record of it."""
    with tempfile.TemporaryDirectory() as scratch, byte_path(Path(scratch)) as path:
        names = ("volume-1", "volume-2") if several else ("volume-1",)
        make_drive(Path(scratch) / "drive", FILES, names[-1])
        drive, medium = FakeDrive(Path(scratch) / "drive", names=names), FakeMedium()
        medium.objects.update(FOREIGN)
        manifest, left, lock = surveyed(drive), [at], threading.Lock()

        def fault(operation: str, object_key: bytes) -> None:
            with lock:
                left[0] -= 1
                if left[0] < 0:
                    raise Dead

        folder = "drive-2" if in_folder else ""
        with contextlib.suppress(Dead):
            path.transfer(drive, FakeStore(medium=medium, fault=fault), manifest, folder=folder)
        recorded = manifest.record_stored
        manifest.record_stored = lambda files: (_ for _ in ()).throw(Dead())  # type: ignore[method-assign]
        with contextlib.suppress(Dead):
            path.transfer(drive, FakeStore(medium=medium), manifest, folder=folder)
        manifest.record_stored = recorded  # type: ignore[method-assign]
        path.take_back(FakeStore(medium=medium), manifest, folder=folder, several_volumes=several)
        assert medium.objects == FOREIGN
        assert medium.uploads == {}
        assert manifest.uploads() == []
        assert manifest.ledger().pending_files == len(FILES)
        drive.close()


def test_where_files_lie_is_learnt_from_those_that_are_recorded(path: BytePath, tmp_path: Path) -> None:
    names = ("volume-1", "volume-2")
    for name in names:
        make_drive(tmp_path / "drive", FILES, name)
    drive = FakeDrive(tmp_path / "drive", names=names)
    store, manifest = FakeStore(), surveyed(drive)
    path.transfer(drive, store, manifest, folder="drive-2")
    manifest.record_pending([5, 6, len(FILES) + 5])
    assert path.take_back(store, manifest, folder="wrong", several_volumes=False)[0] == 2 * len(FILES)
    assert store.objects == {}


def test_what_lies_under_a_pending_files_key_but_is_not_ours_stays(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
    manifest = surveyed(drive)
    # Never begun, though of the right size; of another size; begun in parts, but not complete.
    strangers = {
        key("tiles/050"): content(50, 99),
        key("tiles/010"): b"of another size",
        key("large 1"): bytes(100 * KIB),
    }
    store.objects.update(strangers)
    numbers = {row.path: row.file_no for row in manifest.pending(-1, 99)}
    manifest.record_attempt(numbers[b"tiles/020"])
    manifest.record_upload(numbers[b"large 1"], store.begin(key("large 1"), 100 * KIB).token, 16 * KIB)
    assert path.take_back(store, manifest) == (0, 0)
    assert store.objects == strangers
    assert store.medium.uploads == {}


# -- interrupted ----------------------------------------------------------------------------------


@settings(max_examples=25)
@given(st.integers(0, 200))
def test_cancelled_at_any_moment_it_is_finished_the_next_time(at: int) -> None:
    with tempfile.TemporaryDirectory() as scratch, byte_path(Path(scratch)) as path:
        drive, store, token = make_drive(Path(scratch) / "drive", FILES), store_with_foreign(), Token()
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
