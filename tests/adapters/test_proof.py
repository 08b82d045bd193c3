"""Proof, receipt and manifest."""

from __future__ import annotations

import dataclasses
import json
import os
import subprocess
from pathlib import Path
from unittest import mock

import pytest

from ingestd.core.found import Receipt
from ingestd.core.layout import manifest_key, receipt_key
from ingestd.core.model import ProofLevel
from ingestd.ports import (
    Cancelled,
    FileEntry,
    Manifest,
    ResourcesExhausted,
    StoredFile,
    StoreRefused,
    StoreUnreachable,
)
from ingestd.store.folder import FolderStore
from ingestd.transfer import proof, records
from ingestd.transfer.proof import ProofMismatch, sample
from tests.support.byte_path import (
    DESTINATION,
    KIB,
    LOAD,
    BytePath,
    Token,
    content,
    data_objects,
    key,
    make_drive,
    sha256,
)
from tests.support.fake_drive import BadSpot, FakeDrive, survey
from tests.support.fake_manifest import FakeManifest
from tests.support.fake_store import FakeStore

FILES = {
    "sonar/line 1.bin": content(70 * KIB, 1),
    "sonar/back\\slash": b"1",
    "sonar/line\nfeed": b"2",
    "empty": b"",
} | {f"tiles/{number:03}": content(number, number) for number in range(60)}


pytestmark = pytest.mark.usefixtures("no_long_waits")


@dataclasses.dataclass
class Loaded:
    drive: FakeDrive
    store: FakeStore
    manifest: FakeManifest


@pytest.fixture
def loaded(path: BytePath, tmp_path: Path) -> Loaded:
    """A load all of whose files are stored."""
    drive, store, manifest = make_drive(tmp_path / "drive", FILES), FakeStore(), FakeManifest()
    survey(drive, manifest)
    path.transfer(drive, store, manifest)
    return Loaded(drive, store, manifest)


def proved(path: BytePath, loaded: Loaded, level: ProofLevel = ProofLevel.LISTED) -> Receipt:
    receipt = path.prove(loaded.drive, loaded.store, loaded.manifest, level)
    assert isinstance(receipt, Receipt)
    return receipt


def refuted(path: BytePath, loaded: Loaded, level: ProofLevel = ProofLevel.LISTED) -> ProofMismatch:
    mismatch = path.prove(loaded.drive, loaded.store, loaded.manifest, level)
    assert isinstance(mismatch, ProofMismatch)
    return mismatch


# -- receipt and manifest -------------------------------------------------------------------------


def test_the_receipt_says_what_was_proved_and_lies_beside_the_data(path: BytePath, loaded: Loaded) -> None:
    receipt = proved(path, loaded)
    assert receipt == Receipt(
        load_id=LOAD,
        job_id=receipt.job_id,
        tenant="tidewrack-survey",
        station="quay-03",
        serial="KELP-0071",
        wwn="0x3d5e7f90a1b2c3d4",
        model="Holdfast 4",
        store="harrow",
        prefix="tidewrack-survey/kelp-07",
        manifest="tidewrack-survey/kelp-07/.ingest/load-7.sha256",
        manifest_sha256=sha256(loaded.store.objects[manifest_key(DESTINATION, LOAD)]).hex(),
        files=len(FILES),
        stored_bytes=sum(map(len, FILES.values())),
        skipped_files=0,
        skipped_bytes=0,
        proof=ProofLevel.LISTED,
        files_read_back=0,
        bytes_read_back=0,
        proved_at=1_700_000_000.5,
    )
    told = json.loads(loaded.store.objects[receipt_key(DESTINATION, LOAD)])
    expected = json.loads(json.dumps(dataclasses.asdict(receipt)))
    assert told == expected | {"proved_at": "2023-11-14T22:13:20.500Z"}


def test_the_manifest_is_what_sha256sum_checks(path: BytePath, tmp_path: Path) -> None:
    (tmp_path / "store").mkdir()
    drive, store = make_drive(tmp_path / "drive", FILES), FolderStore("harrow", str(tmp_path / "store"))
    manifest = FakeManifest()
    survey(drive, manifest)
    path.transfer(drive, store, manifest)
    assert isinstance(path.prove(drive, store, manifest), Receipt)
    folder = tmp_path / "store" / DESTINATION.prefix
    check = ["sha256sum", "--check", "--strict", f".ingest/{LOAD}.sha256"]
    result = subprocess.run(check, cwd=folder, capture_output=True, check=False)
    assert (result.returncode, result.stdout.count(b": OK")) == (0, len(FILES))
    (folder / "empty").write_bytes(b"no longer")
    assert subprocess.run(check, cwd=folder, capture_output=True, check=False).returncode == 1


def test_a_long_manifest_is_stored_in_parts_and_paced(path: BytePath, loaded: Loaded) -> None:
    whole = proved(path, loaded)
    short = loaded.store.objects[manifest_key(DESTINATION, LOAD)]
    sent = path.governor.sent
    with mock.patch.object(records, "_WHOLE_MAX_BYTES", 1_000):
        assert proved(path, loaded) == whole
        loaded.store.objects[manifest_key(DESTINATION, LOAD)] = b"half of it"
        assert proved(path, loaded) == whole
    assert loaded.store.objects[manifest_key(DESTINATION, LOAD)] == short
    assert loaded.store.medium.uploads == {}
    assert path.governor.sent - sent > 2 * len(short)


def test_a_manifest_that_cannot_be_stored_leaves_no_upload(path: BytePath, loaded: Loaded) -> None:
    def fault(operation: str, object_key: bytes) -> None:
        if operation == "put_part":
            raise StoreRefused("read-only since noon")

    loaded.store.fault = fault
    with mock.patch.object(records, "_WHOLE_MAX_BYTES", 1_000), pytest.raises(StoreRefused):
        proved(path, loaded)
    assert loaded.store.medium.uploads == {}


def test_proving_again_writes_both_anew(path: BytePath, loaded: Loaded) -> None:
    first = proved(path, loaded)
    loaded.store.objects[manifest_key(DESTINATION, LOAD)] = b"half of it"
    again = path.prove(loaded.drive, loaded.store, loaded.manifest, now=lambda: 1_800_000_000.0)
    assert again == dataclasses.replace(first, proved_at=1_800_000_000.0)
    assert sha256(loaded.store.objects[manifest_key(DESTINATION, LOAD)]).hex() == first.manifest_sha256


def test_short_troubles_of_the_store_are_got_over(path: BytePath, loaded: Loaded) -> None:
    troubles = iter([True, True, False] * 1_000)

    def fault(operation: str, object_key: bytes) -> None:
        if next(troubles):
            raise StoreUnreachable("spring tide")

    loaded.store.fault = fault
    with mock.patch.object(path.senders, "threads", 1):
        proved(path, loaded, ProofLevel.FULL)


def test_no_room_for_the_manifest_is_the_stations_trouble(path: BytePath, loaded: Loaded) -> None:
    with pytest.raises(ResourcesExhausted, match="free some space"):
        dataclasses.replace(path, scratch=Path("/proc")).prove(loaded.drive, loaded.store, loaded.manifest)


def test_a_load_with_pending_or_failed_files_is_never_proved(path: BytePath, tmp_path: Path) -> None:
    drive, store, manifest = (
        make_drive(tmp_path / "drive", {"a": b"1", "b": b"2"}),
        FakeStore(),
        FakeManifest(),
    )
    survey(drive, manifest)
    drive.bad = {"b": [BadSpot(0, 1)]}
    assert isinstance(path.prove(drive, store, manifest), ProofMismatch)
    path.transfer(drive, store, manifest)
    mismatch = path.prove(drive, store, manifest)
    assert isinstance(mismatch, ProofMismatch)
    assert mismatch.ledger.failed_files == 1
    assert manifest_key(DESTINATION, LOAD) not in store.objects


# -- what the store lacks -------------------------------------------------------------------------


@pytest.mark.parametrize("level", list(ProofLevel))
def test_missing_and_cut_off_objects_are_found_at_every_level(
    path: BytePath, loaded: Loaded, level: ProofLevel
) -> None:
    del loaded.store.objects[key("tiles/007")]
    loaded.store.objects[key("sonar/line\nfeed")] = b""
    mismatch = refuted(path, loaded, level)
    assert mismatch.paths == ("volume-1/sonar/line\\nfeed", "volume-1/tiles/007")
    assert (mismatch.ledger.pending_files, mismatch.ledger.stored_files) == (2, len(FILES) - 2)
    assert key("sonar/line\nfeed") not in loaded.store.objects
    assert receipt_key(DESTINATION, LOAD) not in loaded.store.objects
    path.transfer(loaded.drive, loaded.store, loaded.manifest)
    proved(path, loaded, level)
    assert data_objects(loaded.store.objects) == FILES


def test_changed_content_is_found_by_reading_back(path: BytePath, loaded: Loaded) -> None:
    loaded.store.objects[key("tiles/030")] = bytes(30)
    assert proved(path, loaded, ProofLevel.LISTED).files_read_back == 0
    assert refuted(path, loaded, ProofLevel.FULL).paths == ("volume-1/tiles/030",)
    path.transfer(loaded.drive, loaded.store, loaded.manifest)
    receipt = proved(path, loaded, ProofLevel.FULL)
    assert (receipt.files_read_back, receipt.bytes_read_back) == (receipt.files, receipt.stored_bytes)
    assert data_objects(loaded.store.objects) == FILES


def test_changed_content_is_found_by_a_store_that_vouches(path: BytePath, loaded: Loaded) -> None:
    loaded.store.vouches = True
    loaded.store.objects[key("tiles/030")] = bytes(30)
    assert refuted(path, loaded).paths == ("volume-1/tiles/030",)


def test_large_objects_are_read_back_too(path: BytePath, loaded: Loaded) -> None:
    with mock.patch.object(proof, "_LENT_BYTES_MAX", 10 * KIB):
        assert proved(path, loaded, ProofLevel.FULL).bytes_read_back == sum(map(len, FILES.values()))
        loaded.store.objects[key("sonar/line 1.bin")] = bytes(70 * KIB)
        assert refuted(path, loaded, ProofLevel.FULL).paths == ("volume-1/sonar/line 1.bin",)


def test_only_the_first_paths_are_told(path: BytePath, loaded: Loaded) -> None:
    for number in range(50):
        del loaded.store.objects[key(f"tiles/{number:03}")]
    mismatch = refuted(path, loaded)
    assert mismatch.paths == tuple(f"volume-1/tiles/{number:03}" for number in range(20))
    assert mismatch.ledger.pending_files == 50


def test_cancelling_a_proof_stops_it_and_records_nothing(path: BytePath, loaded: Loaded) -> None:
    token, calls = Token(), 0

    def fault(operation: str, object_key: bytes) -> None:
        nonlocal calls
        calls += 1
        if calls == 5:
            token.cancel()

    loaded.store.fault = fault
    with pytest.raises(Cancelled):
        path.prove(loaded.drive, loaded.store, loaded.manifest, ProofLevel.FULL, cancel=token)
    assert loaded.manifest.ledger().pending_files == 0
    assert manifest_key(DESTINATION, LOAD) not in loaded.store.objects
    assert os.listdir(path.scratch) == ["drive"]


# -- the sample -----------------------------------------------------------------------------------


class Rows(FakeManifest):
    """A manifest of stored files of given sizes."""

    def __init__(self, sizes: list[int]) -> None:
        super().__init__()
        self.add([FileEntry("volume-1", b"%d" % number, size, 0, 0) for number, size in enumerate(sizes)])
        self.record_stored([(number, b"", b"%d" % number) for number in range(len(sizes))])


def read_bytes(manifest: Manifest, chosen: frozenset[int]) -> int:
    rows: list[StoredFile] = list(manifest.stored(-1, 1 << 30))
    return sum(row.size_bytes for row in rows if row.file_no in chosen)


@pytest.mark.parametrize(
    ("files", "chosen"), [(0, 0), (5, 5), (16, 16), (1_600, 16), (1_601, 17), (5_000, 50)]
)
def test_a_sample_is_sixteen_files_or_one_in_a_hundred(files: int, chosen: int) -> None:
    assert len(sample(Rows([10] * files), LOAD, files)) == chosen


def test_a_sample_is_the_same_for_the_same_load_only() -> None:
    rows = Rows([10] * 2_000)
    assert sample(rows, "load-1", 2_000) == sample(rows, "load-1", 2_000)
    assert sample(rows, "load-1", 2_000) != sample(rows, "load-2", 2_000)


def test_a_sample_is_at_most_a_gibibyte() -> None:
    rows = Rows([300 << 20] * 100 + [10] * 100)
    chosen = sample(rows, LOAD, 200)
    assert 300 << 20 < read_bytes(rows, chosen) <= 1 << 30


def test_a_load_of_huge_files_only_has_no_sample() -> None:
    assert sample(Rows([2 << 30] * 40), LOAD, 40) == frozenset()


def test_the_receipt_tells_the_sample(path: BytePath, loaded: Loaded) -> None:
    receipt = proved(path, loaded, ProofLevel.SAMPLED)
    chosen = sample(loaded.manifest, LOAD, len(FILES))
    assert receipt.files_read_back == len(chosen) == 16
    assert receipt.bytes_read_back == read_bytes(loaded.manifest, chosen)
