"""One pass when all goes well, and when files are at fault."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import os
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from ingestd import files
from ingestd.core.drive import Health
from ingestd.core.found import ByteRange, FaultKind, FileFault
from ingestd.core.model import LoadId
from ingestd.files import open_beneath, open_folder
from ingestd.ports import (
    DriveGoneError,
    DriveUnreadable,
    FileEntry,
    PortError,
    ResourcesExhausted,
    Said,
    StoreRefused,
    ToolFailed,
)
from ingestd.store.folder import FolderStore
from ingestd.transfer import session
from ingestd.transfer.settings import TransferSettings
from tests.support.byte_path import (
    KIB,
    LOAD,
    BytePath,
    byte_path,
    content,
    data_objects,
    key,
    make_drive,
    sha256,
)
from tests.support.fake_drive import BadSpot, FakeDrive, survey, surveyed
from tests.support.fake_manifest import FakeManifest
from tests.support.fake_store import FakeStore
from tests.support.journals import open_journal

FILES = {
    "sonar/line 1.bin": content(70 * KIB, 1),
    "sonar/line 2.bin": content(16 * KIB, 2),
    "sonar/deep/line 3.bin": content(16 * KIB + 1, 3),
    "notes.txt": b"west slope, two metres of surge\n",
    "empty": b"",
}
SMALL = {f"tiles/{number:03}": content(number, number) for number in range(300)}


def only(faults: tuple[FileFault, ...]) -> FileFault:
    (fault,) = faults
    return fault


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


def test_a_volume_with_a_problem_is_not_one_of_several(path: BytePath, tmp_path: Path) -> None:
    make_drive(tmp_path / "drive", {"a": b"1"}, "volume-1")
    drive = FakeDrive(tmp_path / "drive", names=("volume-1", "volume-2"), problems={"volume-2": "luks"})
    store = FakeStore()
    path.transfer(drive, store, surveyed(drive))
    assert data_objects(store.objects) == {"a": b"1"}


def test_odd_names_and_long_paths_arrive(path: BytePath, tmp_path: Path) -> None:
    names = [b"\xff\xfe", b"line\nfeed", b"-n", b" blank ", b"x" * 255, b"/".join([b"d" * 200] * 25)]
    drive, manifest, store = make_drive(tmp_path / "drive", {"first": b""}), FakeManifest(), FakeStore()
    manifest.add([enter(drive, name) for name in names])
    _, faults = path.transfer(drive, store, manifest)
    assert faults == ()
    assert store.objects == {key("") + name: name for name in names}


def enter(drive: FakeDrive, name: bytes) -> FileEntry:
    """Write a file whose path may be longer than a system call takes."""
    root_fd = drive.volumes[0].root_fd
    os.close(open_folder(root_fd, name.split(b"/")[:-1], create=True))
    fd = open_beneath(root_fd, name, os.O_WRONLY | os.O_CREAT)
    os.write(fd, name)
    facts = os.fstat(fd)
    os.close(fd)
    return FileEntry("volume-1", name, facts.st_size, facts.st_mtime_ns, facts.st_ino)


def test_progress_is_told_and_balanced(tmp_path: Path) -> None:
    files = {str(number): content(40 * KIB, number) for number in range(8)}
    with byte_path(tmp_path, rate_bytes_per_second=600 * KIB) as path:
        drive, store = make_drive(tmp_path / "drive", files), FakeStore()
        path.transfer(drive, store, surveyed(drive))
    ledgers = [ledger for ledger, _ in path.reports]
    assert len(ledgers) > 5
    assert all(ledger.balanced for ledger in ledgers)
    assert [ledger.stored_bytes for ledger in ledgers] == sorted(ledger.stored_bytes for ledger in ledgers)
    assert any(ledger.arrived_bytes for ledger in ledgers)
    assert all(0 <= ledger.arrived_bytes <= ledger.pending_bytes for ledger in ledgers)
    assert ledgers[-1].arrived_bytes <= 40 * KIB * 2
    assert all(ledger.stored_bytes % (40 * KIB) == 0 for ledger in ledgers)
    assert any(rate > 100 * KIB for _, rate in path.reports)


def test_several_loads_share_the_means(path: BytePath, tmp_path: Path) -> None:
    drives = [make_drive(tmp_path / str(number), FILES | SMALL) for number in range(3)]
    stores, manifests = [FakeStore() for _ in drives], [surveyed(drive) for drive in drives]
    ledgers = [None] * 3

    def load(number: int) -> None:
        load_id = LoadId(f"load-{number}")
        ledgers[number], _ = path.transfer(drives[number], stores[number], manifests[number], load_id=load_id)  # type: ignore[call-overload]

    threads = [threading.Thread(target=load, args=(number,)) for number in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert all(ledgers)
    assert all(data_objects(store.objects) == FILES | SMALL for store in stores)


def test_more_loads_than_the_station_has_room_for_are_told_so(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", {"a": b"1"})
    for number in range(path.settings.senders):
        path.senders.register(f"other-{number}")
    with pytest.raises(ResourcesExhausted, match="more senders or fewer loads"):
        path.transfer(drive, FakeStore(), surveyed(drive))
    for number in range(path.settings.senders):
        path.senders.unregister(f"other-{number}")


def test_one_buffer_and_one_sender_are_enough(tmp_path: Path) -> None:
    settings = TransferSettings(buffer_bytes=16 * KIB, buffers=1, senders=1)
    with byte_path(tmp_path, settings=settings) as path:
        drive, store = make_drive(tmp_path / "drive", FILES | SMALL), FakeStore()
        path.transfer(drive, store, surveyed(drive))
    assert data_objects(store.objects) == FILES | SMALL


def test_settings_that_cannot_work_are_named_with_their_remedies() -> None:
    assert TransferSettings().problems(8) == ()
    bad = TransferSettings(buffer_bytes=1, buffers=2, senders=1, buffers_min_per_load=0).problems(3)
    assert len(bad) == 3
    assert any("senders are too few for 3 loads" in problem for problem in bad)
    assert "too few" in TransferSettings(buffers=2).problems(8)[0]


# -- unreadable files -----------------------------------------------------------------------------


def test_an_unreadable_file_is_named_with_its_ranges_and_nothing_of_it_stays(
    path: BytePath, tmp_path: Path
) -> None:
    spots = [BadSpot(20_000, 1), BadSpot(20_480, 10), BadSpot(60_000, 100)]
    drive = make_drive(tmp_path / "drive", FILES, bad={"sonar/line 1.bin": spots})
    store, manifest = FakeStore(), surveyed(drive)
    ledger, faults = path.transfer(drive, store, manifest)
    fault = only(faults)
    assert (fault.kind, fault.path) == (FaultKind.UNREADABLE, "volume-1/sonar/line 1.bin")
    assert fault.ranges == (
        ByteRange(offset_bytes=16_384, length_bytes=8_192, error="EIO"),
        ByteRange(offset_bytes=57_344, length_bytes=4_096, error="EIO"),
    )
    good = {name: body for name, body in FILES.items() if name != "sonar/line 1.bin"}
    assert data_objects(store.objects) == good
    assert store.medium.uploads == {}
    assert (ledger.failed_files, ledger.failed_bytes, ledger.pending_files) == (1, 70 * KIB, 0)


@pytest.mark.parametrize("times", [1, 2])
def test_a_read_that_fails_once_and_then_works_is_no_fault(
    path: BytePath, tmp_path: Path, times: int
) -> None:
    drive = make_drive(tmp_path / "drive", FILES, bad={"sonar/line 1.bin": [BadSpot(5_000, 9, times)]})
    store = FakeStore()
    ledger, faults = path.transfer(drive, store, surveyed(drive))
    assert (faults, ledger.pending_files) == ((), 0)
    assert data_objects(store.objects) == FILES


def test_a_small_file_that_cannot_be_read_does_not_spoil_its_neighbours(
    path: BytePath, tmp_path: Path
) -> None:
    drive = make_drive(tmp_path / "drive", SMALL, bad={"tiles/150": [BadSpot(3, 1)]})
    store = FakeStore()
    ledger, faults = path.transfer(drive, store, surveyed(drive))
    assert only(faults).ranges == (ByteRange(offset_bytes=0, length_bytes=150, error="EIO"),)
    assert data_objects(store.objects) == {name: body for name, body in SMALL.items() if name != "tiles/150"}
    assert ledger.stored_files == 299


def test_a_hopeless_file_costs_a_bounded_number_of_reads(path: BytePath, tmp_path: Path) -> None:
    size = 40 << 20
    drive = make_drive(tmp_path / "drive", {"a": b""}, bad={"a": [BadSpot(0, size)]})
    os.truncate(tmp_path / "drive" / "volume-1" / "a", size)
    _, faults = path.transfer(drive, FakeStore(), surveyed(drive))
    assert only(faults).ranges == (ByteRange(offset_bytes=0, length_bytes=size, error="EIO"),)
    assert drive.reads < 300


@pytest.mark.parametrize(
    "error", [errno.EIO, errno.ENODATA, errno.EREMOTEIO, errno.ETIMEDOUT, errno.ENXIO, errno.EUCLEAN]
)
def test_whatever_the_kernel_calls_it_a_bad_medium_is_the_files_fault(
    path: BytePath, tmp_path: Path, error: int
) -> None:
    drive = make_drive(tmp_path / "drive", {"a": b"1"}, bad={"a": [BadSpot(0, 1, error=error)]})
    _, faults = path.transfer(drive, FakeStore(), surveyed(drive))
    assert only(faults).kind is FaultKind.UNREADABLE


@pytest.mark.parametrize(
    ("error", "kind"),
    [
        (errno.EMFILE, ResourcesExhausted),
        (errno.ENOMEM, ResourcesExhausted),
        (errno.EACCES, PortError),
        (errno.ENOTCONN, ToolFailed),
        (errno.ESHUTDOWN, ToolFailed),
    ],
)
def test_what_is_not_the_mediums_fault_is_never_the_files(
    path: BytePath, tmp_path: Path, error: int, kind: type[PortError]
) -> None:
    drive = make_drive(
        tmp_path / "drive", {"secret name": b"1"}, bad={"secret name": [BadSpot(0, 1, error=error)]}
    )
    manifest = surveyed(drive)
    with pytest.raises(kind) as raised:
        path.transfer(drive, FakeStore(), manifest)
    assert type(raised.value) is kind
    assert "secret name" not in str(raised.value)
    assert manifest.ledger().pending_files == 1


def test_a_file_whose_key_nobody_has_costs_only_itself(
    path: BytePath, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fscrypt: the file system itself keeps the file encrypted (the kernel's filesystems/fscrypt)."""
    real = files.open_beneath

    def without_key(folder_fd: int, name: bytes, flags: int) -> int:
        if name == b"b":
            raise OSError(errno.ENOKEY, os.strerror(errno.ENOKEY))
        return real(folder_fd, name, flags)

    drive = make_drive(tmp_path / "drive", {"a": b"1", "b": b"2", "c": b"3"})
    manifest, store = surveyed(drive), FakeStore()
    monkeypatch.setattr(files, "open_beneath", without_key)
    _, faults = path.transfer(drive, store, manifest)
    assert (only(faults).kind, only(faults).found) == (FaultKind.UNREADABLE, "Required key not available")
    assert data_objects(store.objects) == {"a": b"1", "c": b"3"}


UNKNOWN_FORMS = [errno.EOPNOTSUPP, errno.EINVAL, errno.ENOSYS]


@pytest.mark.parametrize("error", UNKNOWN_FORMS, ids=errno.errorcode.get)
def test_a_file_that_the_driver_does_not_read_costs_only_itself(
    path: BytePath, tmp_path: Path, error: int
) -> None:
    """As ntfs3 answers for a file that Windows has encrypted (fs/ntfs3/file.c)."""
    drive = make_drive(tmp_path / "drive", FILES, bad={"sonar/line 1.bin": [BadSpot(0, 1, error=error)]})
    store, manifest = FakeStore(), surveyed(drive)
    ledger, faults = path.transfer(drive, store, manifest)
    fault = only(faults)
    assert (fault.kind, fault.path) == (FaultKind.NOT_SUPPORTED, "volume-1/sonar/line 1.bin")
    assert (fault.found, fault.ranges) == (os.strerror(error), ())
    good = {name: body for name, body in FILES.items() if name != "sonar/line 1.bin"}
    assert data_objects(store.objects) == good
    assert (ledger.failed_files, ledger.pending_files) == (1, 0)


def test_a_file_that_a_pass_is_to_do_without_is_skipped_and_tried_all_the_same(
    path: BytePath, tmp_path: Path
) -> None:
    names = ("sonar/line 1.bin", "sonar/line 2.bin")
    assert set(names) <= set(FILES)
    unread = {name: [BadSpot(0, 1, error=errno.EOPNOTSUPP)] for name in names}
    drive = make_drive(tmp_path / "drive", FILES, bad=unread)
    store, manifest = FakeStore(), surveyed(drive)
    path.transfer(drive, store, manifest)
    drive.bad = {names[0]: unread[names[0]]}  # the station was mended so far
    without = tuple(f"volume-1/{name}" for name in names)
    ledger, faults = path.transfer(drive, store, manifest, without=without)
    assert only(faults).path == without[0]
    assert data_objects(store.objects) == {name: body for name, body in FILES.items() if name != names[0]}
    assert (ledger.skipped_files, ledger.skipped_bytes) == (1, len(FILES[names[0]]))
    assert (ledger.failed_files, ledger.pending_files) == (0, 0)


def test_a_file_that_was_left_out_before_a_pass_broke_off_is_told_by_the_next(
    path: BytePath, tmp_path: Path
) -> None:
    """Nobody has heard of it yet, and nothing but a fault tells of it in the receipt."""
    files = {"a": b"1", "b": b"2" * 200_000}
    drive = make_drive(tmp_path / "drive", files, bad={"a": [BadSpot(0, 1, error=errno.EOPNOTSUPP)]})
    store, manifest = FakeStore(), surveyed(drive)

    def fails(operation: str, object_key: bytes) -> None:
        raise StoreRefused("the store is shut")

    whole, store.fault = store.fault, fails
    with pytest.raises(StoreRefused):
        path.transfer(drive, store, manifest, without=("volume-1/a",))
    store.fault = whole
    ledger, faults = path.transfer(drive, store, manifest, without=("volume-1/a",))
    assert (only(faults).kind, only(faults).path) == (FaultKind.NOT_SUPPORTED, "volume-1/a")
    assert (ledger.stored_files, ledger.skipped_files, ledger.pending_files) == (1, 1, 0)


def test_a_file_to_do_without_that_the_medium_lost_is_at_fault(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", {"a": b"1"}, bad={"a": [BadSpot(0, 1)]})
    ledger, faults = path.transfer(drive, FakeStore(), surveyed(drive), without=("volume-1/a",))
    assert (only(faults).kind, ledger.failed_files) == (FaultKind.UNREADABLE, 1)


def test_a_file_system_that_takes_no_reads_past_the_cache_says_nothing_about_the_file(
    path: BytePath, tmp_path: Path
) -> None:
    """A first error has its file read past the cache; what then refuses is that way of reading."""
    drive = make_drive(tmp_path / "drive", FILES, bad={"sonar/line 1.bin": [BadSpot(5_000, 9, 1)]})

    def read(fd: int, buffers: list[memoryview], offset: int) -> int:
        if fcntl.fcntl(fd, fcntl.F_GETFL) & os.O_DIRECT:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        return drive.read(fd, buffers, offset)

    path.read = read
    path.settings = replace(path.settings, past_cache=True)
    store = FakeStore()
    ledger, faults = path.transfer(drive, store, surveyed(drive))
    assert (faults, ledger.pending_files) == ((), 0)
    assert data_objects(store.objects) == FILES


def test_a_drive_that_goes_ends_the_pass_and_faults_nothing(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", FILES, gone_after=4)
    store, manifest = FakeStore(), surveyed(drive)
    with pytest.raises(DriveGoneError):
        path.transfer(drive, store, manifest)
    assert manifest.ledger().failed_files == 0
    assert manifest.ledger().balanced
    drive.gone, drive.gone_after = False, None
    path.transfer(drive, store, manifest)
    assert data_objects(store.objects) == FILES
    # What was on its way when the drive went did arrive: nothing is sent twice.
    assert path.governor.sent == sum(map(len, FILES.values()))


def test_a_drive_that_fails_at_once_and_is_seen_to_be_gone_later_faults_nothing(
    path: BytePath, tmp_path: Path
) -> None:
    """The system notices moments after the errors that a drive was pulled."""
    path.settings = replace(path.settings, settle_s=20.0)
    drive = make_drive(tmp_path / "drive", FILES, bad={"sonar/line 1.bin": [BadSpot(0, 70 * KIB)]})
    failed = threading.Event()

    def read(fd: int, views: list[memoryview], offset: int) -> int:
        try:
            return drive.read(fd, views, offset)
        except OSError:
            failed.set()
            raise

    def pull() -> None:
        failed.wait(10)
        time.sleep(0.3)
        drive.gone = True

    path.read = read
    pulling = threading.Thread(target=pull)
    pulling.start()
    manifest = surveyed(drive)
    with pytest.raises(DriveGoneError):
        path.transfer(drive, FakeStore(), manifest)
    pulling.join(10)
    assert manifest.ledger().failed_files == 0


def test_a_drive_whose_time_for_failures_is_spent_is_not_read_to_the_end(
    path: BytePath, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session, "FAULTS_MAX", 3)
    path.settings = replace(path.settings, damage_s=0.0)
    files = {f"{number:02}": content(KIB, number) for number in range(20)}
    drive = make_drive(tmp_path / "drive", files, bad={name: [BadSpot(0, 1)] for name in files})
    ledger, faults = path.transfer(drive, FakeStore(), surveyed(drive))
    assert (len(faults), ledger.failed_files, ledger.pending_files) == (3, 3, 17)
    assert drive.reads <= 3 * 5


def test_with_its_time_spent_a_damaged_file_is_listed_as_unread_from_there(
    path: BytePath, tmp_path: Path
) -> None:
    path.settings = replace(path.settings, damage_s=0.0)
    drive = make_drive(tmp_path / "drive", FILES, bad={"sonar/line 1.bin": [BadSpot(20_000, 1)]})
    _, faults = path.transfer(drive, FakeStore(), surveyed(drive))
    assert only(faults).ranges == (
        ByteRange(offset_bytes=16_384, length_bytes=4_096, error="EIO"),
        ByteRange(offset_bytes=20_480, length_bytes=70 * KIB - 20_480),
    )


@pytest.mark.parametrize(("verdict", "expected"), [(Health.SUSPECT, 64 * KIB), (Health.OK, 300 * KIB)])
def test_a_drive_that_shows_signs_of_failing_is_read_in_small_pieces(
    tmp_path: Path, verdict: Health, expected: int
) -> None:
    drive = make_drive(tmp_path / "drive", {"a": content(300 * KIB)}, verdict=verdict)
    longest: list[int] = []

    def read(fd: int, views: list[memoryview], offset: int) -> int:
        longest.append(len(views[0]))
        return drive.read(fd, views, offset)

    store = FakeStore()
    with byte_path(tmp_path, settings=TransferSettings(buffer_bytes=512 * KIB, settle_s=0.0)) as path:
        path.read = read
        path.transfer(drive, store, surveyed(drive))
    assert data_objects(store.objects) == {"a": content(300 * KIB)}
    assert max(longest) == expected


@pytest.mark.parametrize(
    ("rotational", "count"), [(False, 10 + 1 + session.FILES_AHEAD), (True, 0), (None, 0)]
)
def test_files_are_announced_ahead_where_no_head_moves_until_a_read_fails(
    path: BytePath, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rotational: bool | None, count: int
) -> None:
    """From then on the drive has one request at a time."""
    files = {f"{number:02}": content(KIB, number) for number in range(30)}
    drive = make_drive(tmp_path / "drive", files, bad={"10": [BadSpot(0, 1)]}, rotational=rotational)
    announced: list[str] = []

    def advise(fd: int, offset: int, length: int, advice: int) -> None:
        if advice == os.POSIX_FADV_WILLNEED:
            announced.append(os.path.basename(os.readlink(f"/proc/self/fd/{fd}")))

    monkeypatch.setattr(os, "posix_fadvise", advise)
    ledger, _ = path.transfer(drive, FakeStore(), surveyed(drive))
    assert ledger.stored_files == 29
    assert announced == sorted(files)[:count]


def test_a_volume_that_is_no_longer_readable_is_the_drives_fault(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", {"a": b"1"})
    manifest = surveyed(drive)
    drive.problems = {"volume-1": "bad superblock"}
    with pytest.raises(DriveUnreadable, match="bad superblock"):
        path.transfer(drive, FakeStore(), manifest)


# -- files that are not what they were ------------------------------------------------------------


def change_size(file: Path) -> None:
    with file.open("ab") as grown:
        grown.write(b"more")


def change_time(file: Path) -> None:
    os.utime(file, ns=(1, 1))


def change_inode(file: Path) -> None:
    facts, body = file.stat(), file.read_bytes()
    other = file.with_name("other")
    other.write_bytes(body)
    os.utime(other, ns=(facts.st_atime_ns, facts.st_mtime_ns))
    other.rename(file)


def remove(file: Path) -> None:
    file.unlink()


def make_pipe(file: Path) -> None:
    file.unlink()
    os.mkfifo(file)


def make_link(file: Path) -> None:
    file.rename(file.with_name("elsewhere"))
    file.symlink_to("elsewhere")


def make_folder(file: Path) -> None:
    file.unlink()
    file.mkdir()


@pytest.mark.parametrize("name", ["notes.txt", "sonar/line 1.bin"])
@pytest.mark.parametrize(
    "change", [change_size, change_time, change_inode, remove, make_pipe, make_link, make_folder]
)
def test_a_file_that_changed_since_the_survey_is_at_fault(
    path: BytePath, tmp_path: Path, name: str, change: object
) -> None:
    drive = make_drive(tmp_path / "drive", FILES)
    store, manifest = FakeStore(), surveyed(drive)
    change(tmp_path / "drive" / "volume-1" / name)  # type: ignore[operator]
    ledger, faults = path.transfer(drive, store, manifest)
    assert only(faults).kind is FaultKind.CHANGED_WHILE_READ
    assert str(len(FILES[name])) in (only(faults).expected or "")
    assert only(faults).found
    assert name not in data_objects(store.objects)
    assert ledger.failed_files == 1


def test_numbers_that_a_file_system_makes_up_are_not_compared(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", {"a": b"1"}, file_system="exfat")
    manifest = surveyed(drive)
    change_inode(tmp_path / "drive" / "volume-1" / "a")
    _, faults = path.transfer(drive, FakeStore(), manifest)
    assert faults == ()


@pytest.mark.parametrize("name", ["notes.txt", "sonar/line 1.bin"])
def test_a_file_that_changes_while_it_is_read_is_at_fault(path: BytePath, tmp_path: Path, name: str) -> None:
    drive = make_drive(tmp_path / "drive", {name: FILES[name]})
    store, manifest = FakeStore(), surveyed(drive)
    read = drive.read

    def read_and_change(fd: int, views: list[memoryview], offset: int) -> int:
        got = read(fd, views, offset)
        change_time(tmp_path / "drive" / "volume-1" / name)
        return got

    drive.read = read_and_change  # type: ignore[method-assign]
    _, faults = path.transfer(drive, store, manifest)
    assert only(faults).kind is FaultKind.CHANGED_WHILE_READ
    assert store.objects == {}
    assert store.medium.uploads == {}


def test_a_file_that_ends_too_early_is_at_fault(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", {"a": content(50 * KIB)})
    manifest = surveyed(drive)
    drive.read = lambda fd, views, offset: 0  # type: ignore[method-assign]
    _, faults = path.transfer(drive, FakeStore(), manifest)
    assert only(faults).found == "it ends after 0 bytes"


# -- checksums and formats ------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["notes.txt", "sonar/line 1.bin"])
def test_a_wrong_checksum_is_a_fault_and_the_file_never_gets_its_key(
    path: BytePath, tmp_path: Path, name: str
) -> None:
    drive = make_drive(tmp_path / "drive", FILES)
    manifest, store = FakeManifest(), FakeStore()
    survey(drive, manifest, expected={name: (sha256(b"other"), "notice")})
    _, faults = path.transfer(drive, store, manifest)
    fault = only(faults)
    assert fault.kind is FaultKind.CHECKSUM_MISMATCH
    assert (fault.expected, fault.found, fault.source) == (
        sha256(b"other").hex(),
        sha256(FILES[name]).hex(),
        "notice",
    )
    assert name not in data_objects(store.objects)
    assert store.medium.uploads == {}


ALGORITHMS = ("md5", "sha1", "sha224", "sha384", "sha512", "blake2b-256", "blake2b-512")


def all_said(body: bytes) -> list[Said]:
    """What seven lists say of this content, by Python's own hashes."""

    def digest(algorithm: str) -> bytes:
        if algorithm.startswith("blake2b"):
            return hashlib.blake2b(body, digest_size=int(algorithm[8:]) // 8).digest()
        return hashlib.new(algorithm, body).digest()

    return [Said(algorithm, digest(algorithm), f"volume-1/{algorithm}") for algorithm in ALGORITHMS]


def test_every_digest_is_held_against_the_one_reading(path: BytePath, tmp_path: Path) -> None:
    drive, manifest = make_drive(tmp_path / "drive", FILES), FakeManifest()
    survey(drive, manifest, said={name: all_said(body) for name, body in FILES.items()})
    ledger, faults = path.transfer(drive, FakeStore(), manifest)
    assert (faults, ledger.stored_files) == ((), len(FILES))
    assert drive.bytes_read == sum(map(len, FILES.values()))


@pytest.mark.parametrize("name", ["notes.txt", "sonar/line 1.bin"])
@pytest.mark.parametrize("number", range(len(ALGORITHMS)), ids=ALGORITHMS)
def test_one_wrong_digest_of_many_is_a_fault(path: BytePath, tmp_path: Path, name: str, number: int) -> None:
    said = all_said(FILES[name])
    wrong = said[number]._replace(digest=all_said(b"other")[number].digest)
    drive, manifest, store = make_drive(tmp_path / "drive", FILES), FakeManifest(), FakeStore()
    survey(drive, manifest, said={name: [*said[:number], wrong, *said[number + 1 :]]})
    _, faults = path.transfer(drive, store, manifest)
    fault = only(faults)
    assert (fault.algorithm, fault.source) == (wrong.algorithm, wrong.by)
    assert (fault.expected, fault.found) == (wrong.digest.hex(), said[number].digest.hex())
    assert name not in data_objects(store.objects)


def test_two_digests_by_one_algorithm_cannot_both_be_true(path: BytePath, tmp_path: Path) -> None:
    true = all_said(FILES["notes.txt"])[0]
    drive, manifest = make_drive(tmp_path / "drive", FILES), FakeManifest()
    survey(drive, manifest, said={"notes.txt": [true, Said("md5", bytes(16), "another list")]})
    _, faults = path.transfer(drive, FakeStore(), manifest)
    assert (only(faults).source, only(faults).found) == ("another list", true.digest.hex())


def test_a_right_checksum_is_none(path: BytePath, tmp_path: Path) -> None:
    drive, manifest = make_drive(tmp_path / "drive", FILES), FakeManifest()
    survey(drive, manifest, expected={name: (sha256(body), "notice") for name, body in FILES.items()})
    ledger, faults = path.transfer(drive, FakeStore(), manifest)
    assert (faults, ledger.stored_files) == ((), len(FILES))


@pytest.mark.parametrize("name", ["notes.txt", "sonar/line 1.bin"])
def test_a_plain_format_is_a_fault(tmp_path: Path, name: str) -> None:
    seen: list[bytes] = []

    def look(head: bytes) -> str | None:
        seen.append(head)
        return "gzip" if head == FILES[name][: 64 * KIB][: len(head)] else None

    with byte_path(tmp_path, look_head=look) as path:
        drive, store = make_drive(tmp_path / "drive", FILES), FakeStore()
        _, faults = path.transfer(drive, store, surveyed(drive))
    assert (only(faults).kind, only(faults).found) == (FaultKind.NOT_ENCRYPTED, "gzip")
    assert name not in data_objects(store.objects)
    assert len(seen) == len([body for body in FILES.values() if body])
    assert all(any(body.startswith(head) for body in FILES.values()) for head in seen)


# -- bounds ---------------------------------------------------------------------------------------


def test_files_past_the_last_fault_that_is_kept_stay_pending(
    path: BytePath, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session, "FAULTS_MAX", 3)
    names = [f"{number}" for number in range(6)]
    bad = {name: [BadSpot(17 * KIB, 1)] for name in names[:5]}
    drive = make_drive(tmp_path / "drive", {name: content(20 * KIB) for name in names}, bad=bad)
    store, manifest = FakeStore(), surveyed(drive)
    ledger, faults = path.transfer(drive, store, manifest)
    assert len(faults) == 3
    assert (ledger.failed_files, ledger.pending_files, ledger.stored_files) == (3, 2, 1)
    # Nothing is known any more of what was sent of the pending ones.
    assert {number for number, _ in manifest.uploads()} <= {0, 1, 2}
    assert store.medium.uploads == {}


def test_a_million_rows_are_read_in_batches(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", {f"{n:05}": b"%d" % n for n in range(1_100)}), FakeStore()
    manifest = surveyed(drive)
    limits: list[int] = []
    pending = manifest.pending

    def counted(after: int, limit: int) -> object:
        rows = pending(after, limit)
        limits.append(len(rows))
        return rows

    manifest.pending = counted  # type: ignore[method-assign, assignment]
    ledger, _ = path.transfer(drive, store, manifest)
    assert ledger.stored_files == 1_100
    assert max(limits) == 512


def test_before_small_files_are_sent_it_is_recorded_which(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", SMALL), FakeStore()
    manifest = surveyed(drive)
    seen = 0

    def fault(operation: str, object_key: bytes) -> None:
        nonlocal seen
        if operation == "put_batch":
            seen += 1
            body = SMALL[object_key.removeprefix(key("")).decode()]
            assert (sha256(body), object_key) in {(row.sha256, row.key) for row in manifest.left(-1, 999)}

    store.fault = fault
    path.transfer(drive, store, manifest)
    assert seen == len(SMALL)
    assert manifest.left(-1, 999) == []


def test_a_low_rate_means_fewer_parts_at_a_time(tmp_path: Path) -> None:
    open_parts, most = 0, 0
    lock = threading.Lock()

    class Watched(FakeStore):
        def begin(self, key: bytes, size_bytes: int):  # type: ignore[no-untyped-def]
            upload = super().begin(key, size_bytes)
            put_part = upload.put_part

            def counted(*args: object) -> None:
                nonlocal open_parts, most
                with lock:
                    open_parts += 1
                    most = max(most, open_parts)
                put_part(*args)  # type: ignore[arg-type]
                with lock:
                    open_parts -= 1

            upload.put_part = counted  # type: ignore[method-assign, assignment]
            return upload

    settings = TransferSettings(buffer_bytes=512 * KIB, buffers=6, senders=3)
    with byte_path(tmp_path, settings=settings, rate_bytes_per_second=100 * KIB) as path:
        drive = make_drive(tmp_path / "drive", {"a": content(1100 * KIB)})
        threading.Timer(0.5, lambda: path.governor.set_rate(None)).start()
        path.transfer(drive, Watched(), surveyed(drive))
    assert most == 1


def passing_threads() -> int:
    """How many threads there are without those that send, which are there for all passes."""
    return sum(not thread.name.startswith("sender-") for thread in threading.enumerate())


def test_nothing_of_a_pass_stays_behind(path: BytePath, tmp_path: Path) -> None:
    drive, store = make_drive(tmp_path / "drive", FILES | SMALL), FakeStore()
    before, threads = len(os.listdir("/proc/self/fd")), passing_threads()
    for _ in range(3):
        path.transfer(drive, store, surveyed(drive))
    until = time.monotonic() + 2
    while passing_threads() > threads and time.monotonic() < until:
        time.sleep(0.01)
    assert passing_threads() == threads
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_ledger_of_a_pass_is_that_of_the_rows(path: BytePath, tmp_path: Path) -> None:
    drive = make_drive(tmp_path / "drive", FILES | SMALL, bad={"notes.txt": [BadSpot(0, 1)]})
    manifest = surveyed(drive)
    ledger, _ = path.transfer(drive, FakeStore(), manifest)
    assert replace(ledger) == manifest.ledger()
    again, faults = path.transfer(drive, FakeStore(), manifest)
    assert again == ledger
    assert len(faults) == 1, "a pass reads anew what failed before"
