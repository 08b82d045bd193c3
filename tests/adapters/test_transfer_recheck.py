"""The second look at files that were at fault."""

from __future__ import annotations

import errno
import hashlib
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from ingestd import files
from ingestd.core.found import ByteRange, FaultKind, FileFault
from ingestd.ports import DriveGoneError, Said
from tests.support.byte_path import KIB, LOAD, BytePath, byte_path, content, data_objects, make_drive, sha256
from tests.support.fake_drive import BadSpot, FakeDrive, survey
from tests.support.fake_manifest import FakeManifest
from tests.support.fake_store import FakeStore

BODY = content(100 * KIB)


@pytest.fixture
def path(tmp_path: Path) -> Iterator[BytePath]:
    def look(head: bytes) -> str | None:
        return "gzip" if head.startswith(b"\x1f\x8b") else None

    with byte_path(tmp_path, look_head=look) as made:
        yield made


def first_look(
    path: BytePath, tmp_path: Path, body: bytes, **drive: object
) -> tuple[FakeDrive, FakeManifest, FileFault]:
    """A drive with one file `a`, the manifest after a pass, and the fault that came of it."""
    made = make_drive(tmp_path / "drive", {"a": body}, **drive)  # type: ignore[arg-type]
    manifest = FakeManifest()
    survey(made, manifest, expected={"a": (sha256(BODY), "SHA256SUMS")})
    _, (fault,) = path.transfer(made, FakeStore(), manifest)
    return made, manifest, fault


def test_bytes_that_cannot_be_read_again_are_confirmed(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, BODY, bad={"a": [BadSpot(50_000, 1)]})
    assert fault.kind is FaultKind.UNREADABLE
    ledger, confirmed = path.recheck((fault,), drive, manifest)
    assert confirmed == (fault,)
    assert (ledger.failed_files, ledger.pending_files) == (1, 0)
    assert drive.caches_dropped == 1
    assert path.counted == [LOAD, LOAD], "what the second look reads counts too"


def test_bytes_that_can_be_read_now_are_pending_again(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, BODY, bad={"a": [BadSpot(50_000, 1)]})
    drive.bad = {}
    ledger, confirmed = path.recheck((fault,), drive, manifest)
    assert confirmed == ()
    assert (ledger.failed_files, ledger.pending_files) == (0, 1)
    store = FakeStore()
    path.transfer(drive, store, manifest)
    assert data_objects(store.objects) == {"a": BODY}


def test_only_the_ranges_are_read_again(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, BODY, bad={"a": [BadSpot(50_000, 1)]})
    drive.bad, drive.bytes_read = {}, 0
    path.recheck((fault,), drive, manifest)
    assert drive.bytes_read == sum(each.length_bytes for each in fault.ranges) == 4 * KIB


def test_a_file_without_ranges_is_read_as_a_whole(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, BODY, bad={"a": [BadSpot(50_000, 1)]})
    drive.bad, drive.bytes_read = {}, 0
    path.recheck((replace(fault, ranges=()),), drive, manifest)
    assert drive.bytes_read == len(BODY)


def test_the_same_wrong_checksum_again_is_confirmed(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, content(100 * KIB, 9))
    assert fault.kind is FaultKind.CHECKSUM_MISMATCH
    assert path.recheck((fault,), drive, manifest)[1] == (fault,)


def test_a_wrong_digest_is_looked_at_again_by_its_own_algorithm(path: BytePath, tmp_path: Path) -> None:
    drive, manifest = make_drive(tmp_path / "drive", {"a": BODY}), FakeManifest()
    survey(drive, manifest, said={"a": [Said("md5", bytes(16), "volume-1/MD5SUMS")]})
    _, (fault,) = path.transfer(drive, FakeStore(), manifest)
    assert (fault.algorithm, fault.found) == ("md5", hashlib.md5(BODY).hexdigest())
    assert path.recheck((fault,), drive, manifest)[1] == (fault,)
    rewrite(tmp_path, content(100 * KIB, 10))
    assert path.recheck((fault,), drive, manifest)[1] == ()


def test_another_wrong_checksum_is_not_confirmed(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, content(100 * KIB, 9))
    rewrite(tmp_path, content(100 * KIB, 10))
    ledger, confirmed = path.recheck((fault,), drive, manifest)
    assert (confirmed, ledger.pending_files, ledger.failed_files) == ((), 1, 0)


def test_the_right_checksum_at_the_second_look_is_no_fault(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, content(100 * KIB, 9))
    rewrite(tmp_path, BODY)
    ledger, confirmed = path.recheck((fault,), drive, manifest)
    assert (confirmed, ledger.pending_files) == ((), 1)


def rewrite(tmp_path: Path, body: bytes) -> None:
    """Other content under the same name, size, time and number: as a drive that reads unsteadily."""
    file = tmp_path / "drive" / "volume-1" / "a"
    facts = file.stat()
    file.write_bytes(body)
    os.utime(file, ns=(facts.st_atime_ns, facts.st_mtime_ns))


def test_a_file_that_is_still_not_what_it_was_is_confirmed(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", {"a": BODY})
    manifest, file = FakeManifest(), tmp_path / "drive" / "volume-1" / "a"
    survey(drive, manifest)
    facts = file.stat()
    os.utime(file, ns=(1, 1))
    _, (fault,) = path.transfer(drive, FakeStore(), manifest)
    _, (again,) = path.recheck((fault,), drive, manifest)
    assert again.kind is FaultKind.CHANGED_WHILE_READ
    os.utime(file, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    assert path.recheck((fault,), drive, manifest)[1] == ()


def test_a_file_that_the_driver_does_not_read_again_is_confirmed(path: BytePath, tmp_path: Path) -> None:
    unread = [BadSpot(50_000, 1, error=errno.EOPNOTSUPP)]
    drive, manifest, fault = first_look(path, tmp_path, BODY, bad={"a": unread})
    assert fault.kind is FaultKind.NOT_SUPPORTED
    ledger, confirmed = path.recheck((fault,), drive, manifest)
    assert (confirmed, ledger.failed_files) == ((fault,), 1)
    drive.bad = {}
    ledger, confirmed = path.recheck((fault,), drive, manifest)
    assert (confirmed, ledger.failed_files, ledger.pending_files) == ((), 0, 1)


def test_a_plain_head_seen_again_is_confirmed(path: BytePath, tmp_path: Path) -> None:
    body = b"\x1f\x8b" + content(90 * KIB)
    drive, manifest, fault = first_look(path, tmp_path, body)
    assert fault.kind is FaultKind.NOT_ENCRYPTED
    assert path.recheck((fault,), drive, manifest)[1] == (fault,)
    rewrite(tmp_path, content(len(body)))
    assert path.recheck((fault,), drive, manifest)[1] == ()


def test_a_different_fault_confirms_nothing(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, content(100 * KIB, 9))
    drive.bad = {"a": [BadSpot(0, 1)]}
    ledger, confirmed = path.recheck((fault,), drive, manifest)
    assert (confirmed, ledger.pending_files) == ((), 1)


def test_a_drive_that_goes_confirms_and_records_nothing(path: BytePath, tmp_path: Path) -> None:
    drive, manifest, fault = first_look(path, tmp_path, BODY, bad={"a": [BadSpot(50_000, 1)]})
    drive.gone = True
    with pytest.raises(DriveGoneError):
        path.recheck((fault,), drive, manifest)
    assert manifest.ledger().failed_files == 1


@dataclass
class SeenLate(FakeDrive):
    """Pulled already, and still said to be there for so many seconds."""

    seen_for_s: float = 0.3

    def still_there(self) -> bool:
        return not self.gone or time.monotonic() < self.left_at + self.seen_for_s

    def pull(self) -> None:
        self.left_at = time.monotonic()
        self.gone = True


@pytest.mark.parametrize("opens", [True, False])
def test_a_drive_that_is_seen_late_to_be_gone_bears_out_nothing(
    path: BytePath, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, opens: bool
) -> None:
    make_drive(tmp_path / "drive", dict.fromkeys("abc", BODY)).close()
    drive = SeenLate(tmp_path / "drive", bad={name: [BadSpot(50_000, 1)] for name in "abc"})
    manifest = FakeManifest()
    survey(drive, manifest)
    _, faults = path.transfer(drive, FakeStore(), manifest)
    assert [fault.kind for fault in faults] == [FaultKind.UNREADABLE] * 3
    path.settings = replace(path.settings, settle_s=2.0)
    drive.pull()
    if not opens:
        monkeypatch.setattr(files, "open_beneath", refuse)
    with pytest.raises(DriveGoneError):
        path.recheck(faults, drive, manifest)
    assert manifest.ledger().failed_files == 3


def refuse(*_: object) -> int:
    raise OSError(errno.EIO, os.strerror(errno.EIO))


def test_the_drive_is_waited_for_once_however_many_faults(path: BytePath, tmp_path: Path) -> None:
    bodies = {f"{n:02}": BODY for n in range(12)}
    drive = make_drive(tmp_path / "drive", bodies, bad={name: [BadSpot(50_000, 1)] for name in bodies})
    manifest = FakeManifest()
    survey(drive, manifest)
    _, faults = path.transfer(drive, FakeStore(), manifest)
    path.settings = replace(path.settings, settle_s=0.5)
    began = time.monotonic()
    assert path.recheck(faults, drive, manifest)[1] == faults
    assert 0.5 <= time.monotonic() - began < 12 * 0.5


def test_ranges_are_in_bytes_of_the_file(path: BytePath, tmp_path: Path) -> None:
    _, _, fault = first_look(path, tmp_path, BODY, bad={"a": [BadSpot(len(BODY) - 1, 1)]})
    assert fault.ranges == (ByteRange(offset_bytes=96 * KIB, length_bytes=4 * KIB, error="EIO"),)
